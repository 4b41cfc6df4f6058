"""Recovery curves of two groups of quarters, computed once: the year up to the quarter, and the baseline."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.curves import fit_recovery
from analysis.errors import KneecurveWarning, ModelError
from analysis.quarter.counted import STARTED
from analysis.quarter.indicators import CHANGE
from analysis.quarter.periods import quarter_in_words, quarter_of
from analysis.quarter.released_counts import BASELINE, WINDOW
from analysis.statistics.small_counts import LARGEST_HIDDEN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.cohort import Cohort
    from analysis.cohort.measures import Measure
    from analysis.quarter import QuarterCohort, ReleasedCounts
    from analysis.quarter.ledger.entries import Release, Seen


@dataclass(frozen=True, eq=False)
class CurvesByQuarter:
    """Model means by week of patients who started in two groups of quarters; no patient, and no count that may not be shown.

    Attributes
    ----------
    measure : Measure
        What was measured.
    groups : tuple of str
        The two groups in words, the baseline first.
    week : float
        Week of the outcomes.
    means : pandas.DataFrame
        One row a group and week: protocol (the group), week, estimate, lower, upper, level, method, n (patients seen, those in the
        model); all but the first two missing where hidden.
    hidden : int
        Rows that are hidden because of small counts.
    difference : tuple of float
        Later group less the baseline at the week of the outcomes, with the limits of its interval; NaN where a mean is hidden.
    start : float
        Mean baseline of all in the model, to which the means are adjusted; NaN where they are not.
    scheduled : bool
        Whether weeks entered as categories.
    level : float
        Confidence level.
    adjusted_for : tuple of str
        What the means are adjusted for.
    covariance : str
        Covariance within the patient, in words.
    seen : tuple of Seen
        What a release ledger keeps of the numbers of patients.
    as_released : int
        Numbers of patients that stand as an earlier release showed them, as late data changed them by too few to be told.
    """

    measure: Measure
    groups: tuple[str, str]
    week: float
    means: pd.DataFrame
    hidden: int
    difference: tuple[float, float, float]
    start: float
    scheduled: bool
    level: float
    adjusted_for: tuple[str, ...]
    covariance: str
    seen: tuple[Seen, ...] = ()
    as_released: int = 0


def curves_by_quarter(
    cohort: Cohort, counted: QuarterCohort, released: ReleasedCounts, level: float, told: Sequence[Release] = ()
) -> tuple[CurvesByQuarter | None, str]:
    """Fit the recovery curves of the main measure by group of quarters; where that cannot be, say what is not there.

    ``told`` are releases that told numbers of patients before, the first one first.
    """
    if set(released.window) & set(released.baseline):
        return (
            None,
            "quarters of the baseline that lie before those compared now, so there are no two groups with curves.",
        )
    periods = {BASELINE: released.baseline, WINDOW: released.window}
    names = {slice_: _span(those) for slice_, those in periods.items()}
    quarter = cohort.patients["quarter"].astype("str")
    group = quarter.map({one: names[slice_] for slice_, those in periods.items() for one in those})
    people = cohort.patients[group.notna()].assign(protocol=group[group.notna()])
    started = people["protocol"].value_counts()
    if released.small_counts == "hidden" and any(started.get(name, 0) <= LARGEST_HIDDEN for name in names.values()):
        return None, "enough patients for recovery curves by group of quarters: one of the two is small."
    kept = set(people["patient_id"])
    only = replace(
        cohort, patients=people, visits=cohort.visits[cohort.visits["patient_id"].isin(kept)], sessions=None, events=None,
        reference=None,
    )  # fmt: skip
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", KneecurveWarning)
            curves = fit_recovery(
                only, counted.measure, primary_week=counted.week, reference=names[BASELINE], adjust_for=[]
            )
            means = curves.means(level=level)
            difference = curves.primary_differences(level=level)
    except ModelError as error:
        return None, f"what recovery curves by group of quarters need. {error.what}"
    if len(curves.protocols) < 2 or difference.empty:
        return None, "visits of both groups of quarters, so there are no two curves."
    seen = _seen(curves.frame, curves.weeks, scheduled=curves.scheduled)
    table = means.assign(protocol=means["protocol"].astype("str")).drop(columns="n")
    table = table.merge(seen, on=["protocol", "week"], how="left").assign(n=lambda one: one["n"].fillna(0.0))
    slices = {name: slice_ for slice_, name in names.items()}
    keys = list(zip(table["protocol"].astype("str"), table["week"].astype(float), strict=True))
    true = table["n"].to_numpy(dtype=float)
    before = {(name, week): n for name in slices for week, n in _told(told, periods[slices[name]], counted.defined)}
    shown = np.array([_as_told(n, before.get(key)) for key, n in zip(keys, true, strict=True)])
    hide = np.array(
        [
            any(_must_hide(released, n, float(started[name]), slices[name], week == counted.week) for n in both)
            for (name, week), both in zip(keys, zip(true, shown, strict=True), strict=True)
        ]
    )
    table["n"] = shown
    numbers = ["estimate", "std_error", "df", "lower", "upper", "n"]
    table[numbers] = table[numbers].astype("float64").mask(np.repeat(hide[:, None], len(numbers), axis=1))
    at = table[table["week"] == counted.week]
    known = len(at) == 2 and bool(at["estimate"].notna().all())
    row = difference.iloc[0]
    limits = tuple(float(row[name]) if known else float("nan") for name in ("estimate", "lower", "upper"))
    baseline = (
        curves.frame.drop_duplicates("patient_id")["baseline"] if curves.baseline_adjusted else pd.Series([np.nan])
    )
    found = CurvesByQuarter(
        measure=curves.measure, groups=(names[BASELINE], names[WINDOW]), week=counted.week,
        means=table.drop(columns=["std_error", "df"]), hidden=int(hide.sum()), difference=(limits[0], limits[1], limits[2]),
        start=float(baseline.mean()), scheduled=curves.scheduled, level=level, adjusted_for=curves.adjusted_for,
        covariance=curves.covariance, as_released=int(((shown != true) & ~hide).sum()),
        seen=tuple(
            (
                tuple(periods[slice_]), counted.defined,
                tuple((week, n) for (at_name, week), n, gone in zip(keys, shown.tolist(), hide, strict=True)
                      if at_name == name and not gone),
            )
            for name, slice_ in slices.items()
        ),
    )  # fmt: skip
    return found, ""


def _told(releases: Sequence[Release], periods: Sequence[str], defined: str) -> tuple[tuple[float, float], ...]:
    """Give week and number of patients as the last release of these periods told them; nothing where none did."""
    for one in reversed(releases):
        for of, what, rows in one.seen:
            if of == tuple(periods) and what == defined:
                return rows
    return ()


def _as_told(n: float, before: float | None) -> float:
    """Let a number stand as it was told where late data changed it by too few patients to be told."""
    return n if before is None or not 1 <= abs(n - before) <= LARGEST_HIDDEN else before


def _span(periods: Sequence[str]) -> str:
    first, last = (quarter_in_words(quarter_of(periods[place])) for place in (0, -1))
    return first if first == last else f"{first} to {last}"


def _seen(frame: pd.DataFrame, weeks: Sequence[float], *, scheduled: bool) -> pd.DataFrame:
    """Count the patients in the model by group and week: at the week, or nearest to it without a schedule."""
    rows = frame[["protocol", "week", "patient_id"]].copy()
    if not scheduled:
        named = np.asarray(weeks, dtype=float)
        edges = (named[1:] + named[:-1]) / 2
        rows["week"] = named[np.searchsorted(edges, rows["week"].to_numpy(dtype=float))]
    rows["protocol"] = rows["protocol"].astype("str")
    return (
        rows.groupby(["protocol", "week"], observed=True)["patient_id"]
        .nunique()
        .astype("float64")
        .rename("n")
        .reset_index()
    )


def _must_hide(released: ReleasedCounts, n: float, started: float, where: str, of_outcome: bool) -> bool:
    """Say whether a count is small, or would give a small one away beside the patients who started or have an outcome."""
    if released.small_counts == "shown":
        return n == 0
    known = {started, released.value(STARTED, where)}  # as it is, and as it is shown
    if n <= LARGEST_HIDDEN or any(1 <= one - n <= LARGEST_HIDDEN for one in known):
        return True
    if not of_outcome:
        return False
    return released.is_hidden(CHANGE, where) or 1 <= abs(released.value(CHANGE, where) - n) <= LARGEST_HIDDEN
