"""Who is missing: patterns of visits made and missed, and how the missing differed at the start from those seen."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.follow_up.expected_visits import NOT_YET_DUE, expected_weeks, seen_weeks, visit_grid
from analysis.cohort.reference import used_protocols
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.errors import ModelError
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import check_level, share_interval
from analysis.statistics.weighting.balance_measures import shared_spread

#: How a pattern is written, a sign a week.
SEEN, MISSED, NOT_DUE = "x", ".", "-"
BASELINE = "baseline"


@dataclass(frozen=True, eq=False, repr=False)
class MissingPatterns(ResultWithNotes):
    """Patterns of visits, and the start of those seen and missing at one week.

    Attributes
    ----------
    measure, label, unit, limb : str
        What was to be measured.
    weeks : tuple of float
        The expected weeks; 0 is the baseline.
    week : float
        The week at which the seen and the missing are compared.
    patterns : pandas.DataFrame
        protocol, pattern (a sign a week in order: x seen, . missed), kind ("complete", "stopped", "gaps", "never
        seen"), last_week_seen (missing where never), n (patients of the protocol), count, share, lower, upper, level,
        method; the most frequent first within a protocol. "stopped" is seen up to a week and never after, "gaps"
        any other.
    kinds : pandas.DataFrame
        protocol, kind, n, count, share, lower, upper, level, method.
    baseline : pandas.DataFrame
        protocol, variable (column of the patients, or "baseline" of the measure), category (missing for numbers),
        n_seen, seen, n_missing, missing (means, or shares of the category among those with a value; NaN of nobody),
        difference (missing minus seen), standardised_difference (in standard deviations of both groups, the variances
        averaged; NaN where a group has fewer than two or nothing varies).
    """

    measure: str
    label: str
    unit: str
    limb: str
    weeks: tuple[float, ...]
    week: float
    patterns: pd.DataFrame
    kinds: pd.DataFrame
    baseline: pd.DataFrame

    def _headline(self) -> str:
        return f"Who is missing: {self.label}"


def missing_patterns(
    cohort: Cohort,
    measure: str,
    *,
    week: float | None = None,
    limb: str | None = None,
    covariates: Sequence[str] | None = None,
    weeks: Sequence[float] | None = None,
    level: float = 0.95,
) -> MissingPatterns:
    """Describe who is missing by protocol, pattern of visits and state at the start.

    Parameters
    ----------
    cohort : Cohort
    measure : str
        A stored or derived measure.
    week : float, optional
        An expected week after the start, at which the missing are compared with the seen; by default the last one.
    limb : str, optional
        The limb; by default the involved one where the measure has limbs.
    covariates : sequence of str, optional
        Columns of the patients to compare; by default sex, age and body mass, as far as they are there. The baseline
        of the measure is always compared.
    weeks : sequence of float, optional
        The schedule; by default read off the visits.
    level : float
        Confidence level of the shares.

    Returns
    -------
    MissingPatterns
        Patterns, their kinds, and the comparison at the start.

    Raises
    ------
    ModelError
        Visits follow no schedule, or the week or a column is not known.
    CohortError
        The measure or the limb is not known.

    Notes
    -----
    Missing visits that go with the baseline can be missing at random given it; whether they go with values that were
    not seen cannot be told from the data. The standardised difference is that of Austin, Stat Med 2009;28:3083.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = missing_patterns(generate_cohort(patients=120, seed=1).observed, "pain", week=26)
    >>> sorted(found.kinds["kind"].unique())
    ['complete', 'gaps', 'never seen', 'stopped']
    >>> bool((found.patterns.groupby("protocol")["count"].sum() == found.patterns.groupby("protocol")["n"].first()).all())
    True
    """
    check_level(level)
    seen = seen_weeks(cohort, measure, limb)
    expected = expected_weeks(seen, weeks)
    at = (expected[-1] if expected else np.nan) if week is None else float(week)
    if at not in expected or at <= 0:
        raise ModelError(
            "Visits follow no schedule." if not expected else f"Week {at:g} is not a scheduled week after the start.",
            where=f"measure {measure!r}, expected weeks: {', '.join(f'{one:g}' for one in expected) or 'none'}",
            what_to_do="Name the expected weeks with weeks=, and one of them after the start with week=.",
        )
    grid = visit_grid(cohort, seen, expected)
    there = grid["seen"].to_numpy(dtype=bool).reshape(-1, len(expected))
    due = grid["state"].ne(NOT_YET_DUE).to_numpy(dtype=bool).reshape(-1, len(expected))
    protocol = used_protocols(cohort.patients["protocol"])
    given = protocol.notna().to_numpy()
    patterns = _patterns(there[given], due[given], protocol[given], expected, level)
    known = cohort.measures[measure]
    return MissingPatterns(
        measure=measure,
        label=known.label,
        unit=known.unit,
        limb=limb or known.default_limb,
        weeks=tuple(expected),
        week=at,
        patterns=patterns,
        kinds=_kinds(patterns, level),
        baseline=_baseline(
            cohort, measure, limb, covariates, there[:, expected.index(at)], protocol.where(due[:, expected.index(at)])
        ),
        notes=(
            f"Weeks in a pattern: {', '.join(f'{one:g}' for one in expected)}; {SEEN} seen, {MISSED} missed{_early(due)}.",
            "Stopped: seen up to a week and never after; gaps: any other that is not complete.",
            f"Baseline: patients with and without a value at {moment(at)}; groups are described, not tested.",
            "Whether the value that a missed visit would have shown had to do with missing it cannot be told from the data.",
        ),
    )


def _early(due: np.ndarray) -> str:
    return "" if due.all() else f", {NOT_DUE} not yet due by the as-of date"


def _patterns(
    there: np.ndarray, due: np.ndarray, protocol: pd.Series, weeks: list[float], level: float
) -> pd.DataFrame:
    last = np.where(there.any(axis=1), there.shape[1] - 1 - np.argmax(there[:, ::-1], axis=1), -1)
    unbroken = there.sum(axis=1) == last + 1
    whole = (there | ~due).all(axis=1)
    kind = np.select([whole, last < 0, unbroken], ["complete", "never seen", "stopped"], "gaps")
    frame = pd.DataFrame(
        {
            "protocol": protocol.array,
            "pattern": [
                "".join(SEEN if one else MISSED if expected else NOT_DUE for one, expected in zip(row, of, strict=True))
                for row, of in zip(there, due, strict=True)
            ],
            "kind": kind,
            "last_week_seen": np.where(last < 0, np.nan, np.asarray(weeks)[last]),
        }
    )
    table = frame.groupby([*frame], observed=True, dropna=False, sort=False).size().rename("count").reset_index()
    size = protocol.value_counts()
    table.insert(4, "n", table["protocol"].map(size).astype("int64"))
    by = ["protocol", "count", "pattern"]
    table = table.sort_values(by, ascending=[True, False, False], ignore_index=True).astype({"protocol": "str"})
    return table.join(share_interval(table["count"], table["n"], level=level))


def _kinds(patterns: pd.DataFrame, level: float) -> pd.DataFrame:
    names = list(dict.fromkeys(patterns["protocol"]))
    places = pd.MultiIndex.from_product(
        [names, ["complete", "stopped", "gaps", "never seen"]], names=["protocol", "kind"]
    )
    count = patterns.groupby(["protocol", "kind"])["count"].sum().reindex(places, fill_value=0)
    size = patterns.groupby("protocol")["n"].first()
    table = count.reset_index()
    table.insert(2, "n", table["protocol"].map(size).astype("int64"))
    return table.join(share_interval(table["count"], table["n"], level=level))


def _baseline(
    cohort: Cohort,
    measure: str,
    limb: str | None,
    covariates: Sequence[str] | None,
    seen: np.ndarray,
    protocol: pd.Series,
) -> pd.DataFrame:
    patients = cohort.patients
    wanted = ["sex", "age_years", "body_mass_kg"] if covariates is None else list(covariates)
    unknown = [name for name in wanted if name not in patients]
    if unknown and covariates is not None:
        raise ModelError(
            f"There is no column {unknown[0]!r}.",
            where=f"columns of patients: {', '.join(str(name) for name in patients.columns)}",
            what_to_do="Name columns of the patients.",
        )
    start = visit_frame(cohort, measure, limb).drop_duplicates("patient_id").set_index("patient_id")["baseline"]
    columns = {BASELINE: patients["patient_id"].map(start).astype("float64")}
    columns |= {name: patients[name] for name in wanted if name in patients}
    rows = []
    for name in protocol.cat.categories:
        mine = (protocol == name).to_numpy()
        for variable, values in columns.items():
            for category, numbers in _as_numbers(values):
                made, lost = (numbers[mine & side & np.isfinite(numbers)] for side in (seen, ~seen))
                rows.append({"protocol": str(name), "variable": variable, "category": category, **_compare(made, lost)})
    return pd.DataFrame(rows)


def _as_numbers(values: pd.Series) -> Iterator[tuple[Any, np.ndarray]]:
    """Numbers as they are; each category as 0 and 1, missing where it is not known."""
    if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
        yield np.nan, values.to_numpy(dtype="float64", na_value=np.nan)
        return
    text = values.astype("str").to_numpy()
    for category in sorted({str(one) for one in values.dropna().unique()}):
        yield category, np.where(values.isna(), np.nan, text == category).astype("float64")


def _compare(seen: np.ndarray, lost: np.ndarray) -> dict[str, float]:
    here, there = (float(one.mean()) if len(one) else np.nan for one in (seen, lost))
    return {
        "n_seen": len(seen),
        "seen": here,
        "n_missing": len(lost),
        "missing": there,
        "difference": there - here,
        "standardised_difference": (there - here) / shared_spread(seen, lost),
    }
