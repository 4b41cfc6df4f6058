"""Missing visits: who was expected, seen and missing, by protocol and week."""

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from analysis.cohort.follow_up.expected_visits import (
    NO_SCHEDULE,
    NOT_YET_DUE,
    STATES,
    expected_weeks,
    seen_weeks,
    visit_grid,
)
from analysis.cohort.tables import Cohort
from analysis.counted import counted
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import check_level, share_interval

_NO_SCHEDULE = f"{NO_SCHEDULE}; name the expected weeks to count them."


@dataclass(frozen=True, eq=False, repr=False)
class MissingByWeek(ResultWithNotes):
    """Missing visits of one measure by protocol and week.

    Attributes
    ----------
    measure, limb
        What was to be measured.
    weeks : tuple of float
        The expected weeks; 0 is the baseline.
    table : pandas.DataFrame
        protocol, week, expected (patients of the protocol), seen, missing, missed_seen_later, not_seen_again, share
        (of expected, missing), lower, upper, level, method.
    """

    measure: str
    limb: str
    weeks: tuple[float, ...]
    table: pd.DataFrame

    def _headline(self) -> str:
        return f"Missing visits of {self.measure}"


def missing_by_week(
    cohort: Cohort,
    measure: str,
    *,
    limb: str | None = None,
    weeks: Sequence[float] | None = None,
    level: float = 0.95,
) -> MissingByWeek:
    """Count expected, seen and missing visits of a measure by protocol and week.

    Parameters
    ----------
    cohort : Cohort
    measure : str
        A stored or derived measure.
    limb : str, optional
        The limb; by default the involved one where the measure has limbs.
    weeks : sequence of float, optional
        The schedule; by default read off the visits (:func:`analysis.cohort.follow_up.expected_visits.expected_weeks`).
    level : float
        Confidence level of the shares.

    Returns
    -------
    MissingByWeek
        One row a protocol and week; empty where visits follow no schedule and none is named.

    Raises
    ------
    CohortError
        The measure or the limb is not known.

    Notes
    -----
    Every patient of a protocol is expected at every week, those who withdrew included; visits that were not yet due by the
    as-of date of the cohort, and not made, are left out.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = missing_by_week(generate_cohort(patients=60, seed=1).observed, "pain")
    >>> bool((found.table["seen"] + found.table["missing"] == found.table["expected"]).all())
    True
    """
    check_level(level)
    seen = seen_weeks(cohort, measure, limb)
    expected = expected_weeks(seen, weeks)
    grid = visit_grid(cohort, seen, expected)
    notes = ["Every patient of a protocol is expected at every week, those who withdrew included."]
    early = grid["state"].eq(NOT_YET_DUE)
    if early.any():
        n = int(grid.loc[early, "patient_id"].nunique())
        notes.append(f"Visits not yet due by the as-of date are left out, of {counted(n, 'patient')}.")
    if not expected:
        notes = ["No value was recorded." if seen.empty else _NO_SCHEDULE]
    return MissingByWeek(
        measure=measure,
        limb=limb or cohort.measures[measure].default_limb,
        weeks=tuple(expected),
        table=_count_missing(grid, level),
        notes=tuple(notes),
    )


def _count_missing(grid: pd.DataFrame, level: float) -> pd.DataFrame:
    states = dict(zip(STATES, ("seen", "missed_seen_later", "not_seen_again"), strict=True))
    states[NOT_YET_DUE] = "not_yet_due"
    counts = pd.crosstab([grid["protocol"], grid["week"]], grid["state"], dropna=False)
    counts = counts.reindex(columns=list(states), fill_value=0).rename(columns=states)
    counts.columns = pd.Index([str(name) for name in counts.columns])
    table = counts.reset_index().astype({"protocol": "str"})
    table["missing"] = table["missed_seen_later"] + table["not_seen_again"]
    table["expected"] = table["seen"] + table["missing"]
    order = [
        "protocol", "week", "expected", "seen", "missing", "missed_seen_later", "not_seen_again", "not_yet_due",
    ]  # fmt: skip
    return table[order].join(share_interval(table["missing"], table["expected"], level=level))
