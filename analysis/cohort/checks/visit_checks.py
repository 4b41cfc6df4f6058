"""Checks of the measured values: known measures, limbs, plausible ranges, mixed-up units, baselines."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cohort.findings import FindingList
from analysis.cohort.measures import Measure, Measures
from analysis.cohort.schedule import moment

#: With fewer answers it may be chance that nobody answered 0 or more than 5 (design choice).
_ANSWERS = 20
_COLUMNS = {"patient_id", "week", "measure", "limb", "value"}


def check_visits(visits: pd.DataFrame, measures: Measures, findings: FindingList) -> None:
    """Find what is wrong with measured values; the index of the table visits holds the row number, from 0."""
    if not set(visits.columns) >= _COLUMNS or visits.empty:
        return
    codes = visits["measure"].cat.codes.to_numpy()
    for code, name in enumerate(visits["measure"].cat.categories):
        rows = np.flatnonzero(codes == code)
        if not len(rows):
            continue
        if name not in measures:
            _unknown_measure(visits, rows, measures, findings)
        elif measures[name].derived:
            problem = f"the measure {name!r} is computed from {', '.join(measures[name].derived_from)}"
            advice = "Leave it out; it is never stored."
            findings.add("error", "visits", problem, advice, column="measure", values=[name])
        else:
            _check_measure(visits, rows, measures[name], findings)
    _check_stored_twice(visits, findings)
    _check_missing(visits, findings)
    _check_baselines(visits, findings)


def _unknown_measure(visits: pd.DataFrame, rows: np.ndarray, measures: Measures, findings: FindingList) -> None:
    known = ", ".join(measure.name for measure in measures.values() if not measure.derived)
    problem = f"the measure is not known ({len(rows):,} rows)"
    advice = f"Use a known one ({known}), or add the measure in the map file."
    findings.add_rows("error", "visits", visits.iloc[rows[:1]], None, "measure", problem, advice)


def _check_measure(visits: pd.DataFrame, rows: np.ndarray, measure: Measure, findings: FindingList) -> None:
    limbs = visits["limb"].cat.categories
    allowed = np.isin(limbs, measure.limbs)
    limb_codes = visits["limb"].cat.codes.to_numpy()[rows]
    wrong = rows[(limb_codes >= 0) & ~np.append(allowed, False)[limb_codes]]
    wrong = wrong[visits["limb"].iloc[wrong].isin(["involved", "uninvolved", "none"]).to_numpy()]
    problem, advice = f"{measure.name} is not taken on this limb", f"Use {' or '.join(measure.limbs)}."
    findings.add_rows("error", "visits", visits.iloc[wrong], None, "limb", problem, advice)
    values = visits["value"].to_numpy()[rows]
    outside = np.isfinite(values) & ((values < measure.lowest) | (values > measure.highest))
    left = outside.copy()
    plausible = f"{measure.lowest:g} to {measure.highest:g} {measure.unit}"
    for mix_up in measure.mix_ups:
        mixed = left & (values >= mix_up.lowest) & (values <= mix_up.highest)
        left &= ~mixed
        problem = f"outside {plausible}; {measure.name} looks like {mix_up.unit} where {measure.unit} is declared"
        findings.add_rows("error", "visits", visits.iloc[rows[mixed]], None, "value", problem, mix_up.what_to_do)
    problem = f"{measure.name} outside the plausible range, {plausible}"
    advice = (
        "Correct the value or leave it empty; where the range is too narrow, give the measure another one in the map."
    )
    findings.add_rows("error", "visits", visits.iloc[rows[left]], None, "value", problem, advice)
    _check_short_scale(measure, values[np.isfinite(values)], findings)
    if np.isnan(values).all():
        problem = f"all {len(values):,} values of {measure.name} are missing"
        advice = "Leave the measure out, or find its values."
        findings.add("warning", "visits", problem, advice, column="value")


def _check_short_scale(measure: Measure, values: np.ndarray, findings: FindingList) -> None:
    """Question answers from 1 to 5 under a measure of 0 to 10: in so many answers nobody had none and nobody more than half."""
    if (measure.lowest, measure.highest) != (0, 10) or len(values) < _ANSWERS:
        return
    if (values == np.round(values)).all() and (values.min(), values.max()) == (1, 5):
        problem = (
            f"all {len(values):,} values of {measure.name} are whole numbers from 1 to 5: is it a scale from 1 to 5?"
        )
        advice = f"If it is, describe it under [measures] in the map: the range and thresholds of {measure.name}, 0 to 10, are not its own."
        findings.add("warning", "visits", problem, advice, column="value")


def _check_stored_twice(visits: pd.DataFrame, findings: FindingList) -> None:
    both = ["quadriceps_torque", "quadriceps_torque_nm"]
    if set(both) <= set(visits.loc[visits["value"].notna(), "measure"].unique()):
        problem = "quadriceps torque is stored in N·m and in N·m/kg"
        advice = "Keep one of them; torque per kilogram is computed from N·m and body mass."
        findings.add("error", "visits", problem, advice, column="measure", values=[", ".join(both)])


def _check_missing(visits: pd.DataFrame, findings: FindingList) -> None:
    if visits["value"].isna().all():
        problem = f"all {len(visits):,} values are missing"
        advice = "Check which column the map names for the values, and how missing values are written."
        findings.add("error", "visits", problem, advice, column="value")
    present = visits["value"].notna()
    weeks = visits.loc[present, "week"].dropna().unique()
    if len(weeks) == 1:
        problem, advice = f"there is one week only, {moment(weeks[0])}", "No curve over weeks can be fitted."
        findings.add("warning", "visits", problem, advice, column="week")


def _check_baselines(visits: pd.DataFrame, findings: FindingList) -> None:
    """Find patients with values after the start and none at or before it, in measures that have baselines at all."""
    seen = visits[visits["value"].notna() & visits["week"].notna() & visits["patient_id"].notna()]
    if seen.empty:
        return
    before = seen["week"] <= 0
    if not before.any():
        problem = "no measure has a value at or before week 0"
        advice = "Changes from baseline cannot be computed; give baseline visits week 0."
        findings.add("warning", "visits", problem, advice, column="week")
        return
    named = seen["measure"].notna() & seen["limb"].notna()  # what is not named is another finding
    seen, before = seen[named], before[named]
    patient, names = pd.factorize(seen["patient_id"])
    lacking = np.full(len(names), "", dtype=object)
    measure_codes, limb_codes = seen["measure"].cat.codes.to_numpy(), seen["limb"].cat.codes.to_numpy()
    groups = pd.Series(measure_codes.astype(np.int64) * 100 + limb_codes)
    for group in groups.unique():
        rows = (groups == group).to_numpy()
        with_baseline = np.zeros(len(names), dtype=bool)
        with_baseline[patient[rows & before.to_numpy()]] = True
        if not with_baseline.any():
            continue
        followed = np.zeros(len(names), dtype=bool)
        followed[patient[rows]] = True
        without = followed & ~with_baseline
        measure = seen["measure"].cat.categories[group // 100]
        limb = seen["limb"].cat.categories[group % 100] if group % 100 < len(seen["limb"].cat.categories) else ""
        label = f"{measure} ({limb})" if limb in ("involved", "uninvolved") else str(measure)
        lacking[without] += np.where(lacking[without] == "", label, f", {label}")
    found = lacking != ""
    findings.add(
        "warning",
        "visits",
        "the patient has no baseline value of these measures",
        "Analyses of change leave the patient out of these measures.",
        column="measure",
        patients=names.to_numpy()[found],
        values=lacking[found],
    )
