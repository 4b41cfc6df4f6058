"""Checks of the measured values: known measures, limbs, plausible ranges, mixed-up units, baselines."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.findings import FindingList
from analysis.cohort.measures import Measure, Measures
from analysis.cohort.schedule import moment

#: With fewer answers it may be chance that nobody answered 0 or more than 5 (design choice).
_ANSWERS = 20
#: One week and this many are told apart.
_SEVERAL = 2
_COLUMNS = {"patient_id", "week", "measure", "limb", "value"}


class VisitsCheck:
    """Check of the measured values, given in one or several parts; all rows of a patient are in one of them.

    What is wrong with single rows is found part by part, what only the whole tells is counted until the end.
    """

    def __init__(self, measures: Measures) -> None:
        self._measures = measures
        self._rows = self._present = 0
        self._stored: set[str] = set()
        self._unknown: dict[str, list[Any]] = {}
        self._derived: dict[str, None] = {}
        self._of_measure: dict[str, _ValuesSoFar] = {}
        self._weeks: set[float] = set()
        self._seen, self._before = False, False
        self._with_baseline: dict[tuple[str, str], bool] = {}
        self._without: list[tuple[pd.Series, dict[tuple[str, str], np.ndarray]]] = []

    def add(self, visits: pd.DataFrame, findings: FindingList, source_rows: np.ndarray) -> None:
        """Look at a part; the index of its rows counts from 0, ``source_rows`` has the rows of the whole table."""
        if not set(visits.columns) >= _COLUMNS or visits.empty:
            return
        codes = visits["measure"].cat.codes.to_numpy()
        for code, name in enumerate(map(str, visits["measure"].cat.categories)):
            rows = np.flatnonzero(codes == code)
            if not len(rows):
                continue
            if name not in self._measures:
                first = [int(source_rows[rows[0]]), visits["patient_id"].iloc[rows[0]]]
                self._unknown.setdefault(name, [0, *first])[0] += len(rows)
            elif self._measures[name].derived:
                self._derived[name] = None
            else:
                values = visits["value"].to_numpy()[rows]
                _check_measure(visits, rows, values, self._measures[name], findings)
                self._of_measure.setdefault(name, _ValuesSoFar()).add(values, self._measures[name])
        self._add_missing(visits)
        self._add_baselines(visits)

    def finish(self, findings: FindingList) -> None:
        """Add what the whole table tells."""
        if not self._rows:
            return
        known = ", ".join(measure.name for measure in self._measures.values() if not measure.derived)
        for name, (n, row, patient) in self._unknown.items():
            problem = f"the measure is not known ({n:,} rows)"
            advice = f"Use a known one ({known}), or add the measure in the map file."
            findings.add(
                "error", "visits", problem, advice, column="measure", rows=[row], patients=[patient], values=[name]
            )
        for name in self._derived:
            problem = f"the measure {name!r} is computed from {', '.join(self._measures[name].derived_from)}"
            advice = "Leave it out; it is never stored."
            findings.add("error", "visits", problem, advice, column="measure", values=[name])
        for name, values in self._of_measure.items():
            values.finish(self._measures[name], findings)
        both = ["quadriceps_torque", "quadriceps_torque_nm"]
        if set(both) <= self._stored:
            problem = "quadriceps torque is stored in N·m and in N·m/kg"
            advice = "Keep one of them; torque per kilogram is computed from N·m and body mass."
            findings.add("error", "visits", problem, advice, column="measure", values=[", ".join(both)])
        if not self._present:
            problem = f"all {self._rows:,} values are missing"
            advice = "Check which column the map names for the values, and how missing values are written."
            findings.add("error", "visits", problem, advice, column="value")
        if len(self._weeks) == 1:
            problem = f"there is one week only, {moment(*self._weeks)}"
            findings.add("warning", "visits", problem, "No curve over weeks can be fitted.", column="week")
        self._finish_baselines(findings)

    def _add_missing(self, visits: pd.DataFrame) -> None:
        present = visits["value"].notna().to_numpy()
        self._rows += len(visits)
        self._present += int(present.sum())
        codes = visits["measure"].cat.codes.to_numpy()
        counts = np.bincount(codes[present & (codes >= 0)], minlength=len(visits["measure"].cat.categories))
        self._stored |= set(visits["measure"].cat.categories[counts > 0])
        if len(self._weeks) < _SEVERAL:
            weeks = visits["week"].to_numpy(dtype="float64", na_value=np.nan)[present]
            self._weeks |= set(pd.unique(weeks[~np.isnan(weeks)])[:_SEVERAL].tolist())

    def _add_baselines(self, visits: pd.DataFrame) -> None:
        """Keep which patients have values and none at or before the start, by measure and limb."""
        chosen = (visits["value"].notna() & visits["week"].notna() & visits["patient_id"].notna()).to_numpy()
        before = visits["week"].to_numpy(dtype="float64", na_value=np.nan) <= 0
        self._seen |= bool(chosen.any())
        self._before |= bool((chosen & before).any())
        measure, limb = (visits[name].cat.codes.to_numpy().astype(np.int64) for name in ("measure", "limb"))
        chosen = chosen & (measure >= 0) & (limb >= 0)  # what is not named is another finding
        if not chosen.any():
            return
        patient, names = pd.factorize(visits["patient_id"][chosen])
        measures, limbs = (list(map(str, visits[name].cat.categories)) for name in ("measure", "limb"))
        groups, before = (measure * len(limbs) + limb)[chosen], before[chosen]
        without = {}
        for group in pd.unique(groups).tolist():
            rows = groups == group
            with_baseline, followed = np.zeros(len(names), dtype=bool), np.zeros(len(names), dtype=bool)
            with_baseline[patient[rows & before]] = True
            followed[patient[rows]] = True
            key = (measures[group // len(limbs)], limbs[group % len(limbs)])
            self._with_baseline[key] = self._with_baseline.get(key, False) or bool(with_baseline.any())
            without[key] = followed & ~with_baseline
        self._without.append((pd.Series(names).astype("str"), without))

    def _finish_baselines(self, findings: FindingList) -> None:
        """Name patients with values after the start and none at or before it, in measures that have baselines at all."""
        if not self._seen:
            return
        if not self._before:
            problem = "no measure has a value at or before week 0"
            advice = "Changes from baseline cannot be computed; give baseline visits week 0."
            findings.add("warning", "visits", problem, advice, column="week")
            return
        for names, without in self._without:
            lacking = np.full(len(names), "", dtype=object)
            for key in [one for one, there in self._with_baseline.items() if there and one in without]:
                rows, (measure, limb) = without[key], key
                label = f"{measure} ({limb})" if limb in ("involved", "uninvolved") else measure
                lacking[rows] += np.where(lacking[rows] == "", label, f", {label}")
            found = lacking != ""
            findings.add(
                "warning", "visits", "the patient has no baseline value of these measures",
                "Analyses of change leave the patient out of these measures.",
                column="measure", patients=names.to_numpy()[found], values=lacking[found],
            )  # fmt: skip


class _ValuesSoFar:
    """What all values of one measure tell together."""

    def __init__(self) -> None:
        self.n = self.finite = 0
        self.present, self.whole = False, True
        self.lowest, self.highest = np.inf, -np.inf

    def add(self, values: np.ndarray, measure: Measure) -> None:
        self.n += len(values)
        self.present = self.present or not np.isnan(values).all()
        if (measure.lowest, measure.highest) != (0, 10):
            return
        known = values[np.isfinite(values)]
        self.finite += len(known)
        if self.whole and len(known):
            self.whole = bool((known == np.round(known)).all())
            self.lowest, self.highest = min(self.lowest, known.min()), max(self.highest, known.max())

    def finish(self, measure: Measure, findings: FindingList) -> None:
        # question answers from 1 to 5 under a measure of 0 to 10: in so many answers nobody had none and nobody more than half
        if self.finite >= _ANSWERS and self.whole and (self.lowest, self.highest) == (1, 5):
            problem = f"all {self.finite:,} values of {measure.name} are whole numbers from 1 to 5: is it a scale from 1 to 5?"
            advice = f"If it is, describe it under [measures] in the map: the range and thresholds of {measure.name}, 0 to 10, are not its own."
            findings.add("warning", "visits", problem, advice, column="value")
        if not self.present:
            problem = f"all {self.n:,} values of {measure.name} are missing"
            advice = "Leave the measure out, or find its values."
            findings.add("warning", "visits", problem, advice, column="value")


def _check_measure(
    visits: pd.DataFrame, rows: np.ndarray, values: np.ndarray, measure: Measure, findings: FindingList
) -> None:
    limbs = visits["limb"].cat.categories
    allowed = np.isin(limbs, measure.limbs)
    limb_codes = visits["limb"].cat.codes.to_numpy()[rows]
    wrong = rows[(limb_codes >= 0) & ~np.append(allowed, False)[limb_codes]]
    wrong = wrong[visits["limb"].iloc[wrong].isin(["involved", "uninvolved", "none"]).to_numpy()]
    problem, advice = f"{measure.name} is not taken on this limb", f"Use {' or '.join(measure.limbs)}."
    findings.add_rows("error", "visits", visits.iloc[wrong], None, "limb", problem, advice)
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
