"""Schedule: actual weeks become scheduled weeks by visit windows, and every value's way is on record."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.findings import not_run
from analysis.cohort.tables import EARLIEST_WEEK, LATEST_WEEK, Cohort
from analysis.errors import CohortError
from analysis.result import Result

TwoInWindow = Literal["nearest", "first", "last"]
Tie = Literal["earlier", "later"]
Others = Literal["drop", "keep"]

#: How long before the start a visit still counts as the baseline, where no window says so (design choice).
WEEKS_BEFORE_START = 8.0
#: Days are told apart to less than a second; days over 7 are not exact in weeks.
DECIMALS_OF_A_DAY = 5
#: A week this near one decimal is written with it; a day over 7 is at least a seventieth off.
_NO_TENTH = 1e-6
#: A time in weeks of two decimals is off by up to half a hundredth of a week, in days.
WHOLE_DAY = 0.0351

ON_TIME, MOVED, UNSCHEDULED, DROPPED = "on time", "moved", "unscheduled", "dropped"
REPORT_COLUMNS = (
    "patient_id", "measure", "limb", "actual_week", "scheduled_week", "shift_weeks", "outcome", "reason"
)  # fmt: skip


def in_days(weeks: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Give weeks as days, to a hundred-thousandth of a day (a second), so that 29 / 7 weeks are day 29.

    Examples
    --------
    >>> in_days(np.array([29 / 7, 29 * (1 / 7), 4.142857])).tolist()
    [29.0, 29.0, 29.0]
    """
    return np.asarray(np.round(7.0 * np.asarray(weeks, dtype="float64"), DECIMALS_OF_A_DAY))


def moment(week: float) -> str:
    """Say a time in weeks for a message: as a day where it is a whole day and no week of one decimal.

    Examples
    --------
    >>> moment(6.0), moment(10 / 7), moment(1.5), moment(-1 / 7)
    ('week 6', 'day 10', 'week 1.5', 'day -1')
    """
    if not np.isfinite(week):
        return f"week {week:g}"
    day = float(in_days(week))
    short = abs(week * 10 - round(week * 10)) < _NO_TENTH
    return f"week {week:g}" if short or not day.is_integer() else f"day {day:g}"


def days_apart(weeks: NDArray[np.float64], other: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Give the days between two times in weeks, so rounded that two days as far before and after are equally near.

    Weeks written with two decimals are days over 7 to 0.035 of a day: a time so near a whole day is that day.

    Examples
    --------
    >>> days_apart(np.array([3 / 7, 11 / 7]), 1.0).tolist()
    [4.0, 4.0]
    >>> days_apart(np.array([0.43, 1.57]), 1.0).tolist()
    [4.0, 4.0]
    """
    one, two = (
        np.where(np.abs(days - np.round(days)) <= WHOLE_DAY, np.round(days), days)
        for days in map(in_days, (weeks, other))
    )
    return np.asarray(np.round(np.abs(one - two), DECIMALS_OF_A_DAY))


@dataclass(frozen=True)
class VisitWindow:
    """The weeks in which a visit counts as the one of a scheduled week, both ends included."""

    week: float
    earliest: float
    latest: float


@dataclass(frozen=True)
class VisitSchedule:
    """When visits were planned, and what becomes of those that came at another time.

    Parameters
    ----------
    windows : sequence of VisitWindow
        One window for each scheduled week, in weeks. Where windows overlap, the nearest scheduled week wins.
    two_in_window : {"nearest", "first", "last"}
        Which of several values of a measure (of one patient and limb) in one window counts.
    tie : {"earlier", "later"}
        Which scheduled week a visit halfway between two takes, and which of two equally near values counts. Near is
        counted in days (:func:`days_apart`).
    others : {"drop", "keep"}
        What becomes of the values in the window that do not count: left out, or kept with their actual week.
    unscheduled : {"keep", "drop"}
        What becomes of values outside every window: kept with their actual week, or left out.

    Raises
    ------
    CohortError
        There is no window, a week comes twice or lies outside its window, or a rule is not known.

    Examples
    --------
    >>> VisitSchedule.halfway([0, 6, 12]).windows[1]
    VisitWindow(week=6.0, earliest=0.0, latest=9.0)
    """

    windows: Sequence[VisitWindow]
    two_in_window: TwoInWindow = "nearest"
    tie: Tie = "earlier"
    others: Others = "drop"
    unscheduled: Others = "keep"

    def __post_init__(self) -> None:
        object.__setattr__(self, "windows", tuple(sorted(self.windows, key=lambda window: window.week)))
        if not self.windows:
            raise _wrong("there is no visit window", "Give at least one scheduled week.")
        for window in self.windows:
            if not (EARLIEST_WEEK <= window.earliest <= window.week <= window.latest <= LATEST_WEEK):
                raise _wrong(
                    f"week {window.week:g} is not inside its window, {window.earliest:g} to {window.latest:g}",
                    f"Give each window its week between its ends, from {EARLIEST_WEEK:g} to {LATEST_WEEK:g}.",
                )
        twice = [window.week for window, after in pairwise(self.windows) if window.week == after.week]
        if twice:
            raise _wrong(f"week {twice[0]:g} has two windows", "Give each scheduled week one window.")
        rules = {"two_in_window": TwoInWindow, "tie": Tie, "others": Others, "unscheduled": Others}
        for name, options in rules.items():
            if getattr(self, name) not in get_args(options):
                raise _wrong(f"there is no rule {name} = {getattr(self, name)!r}", f"Use {_or(get_args(options))}.")

    @classmethod
    def halfway(cls, weeks: Sequence[float]) -> VisitSchedule:
        """Make windows that meet halfway between the scheduled weeks.

        A baseline (week 0 or before) takes no visit after the start, and none from more than eight weeks before it; the
        last window reaches as far after its week as before.

        Parameters
        ----------
        weeks : sequence of float
            Scheduled weeks.

        Returns
        -------
        VisitSchedule
            The schedule, with the usual rules.
        """
        planned = sorted({float(week) for week in weeks})
        edges = [0.0 if left <= 0 < right else (left + right) / 2 for left, right in pairwise(planned)]
        if planned and planned[0] <= 0:
            first = planned[0] - WEEKS_BEFORE_START
        else:
            first = planned[0] - (edges[0] - planned[0] if edges else 0.0) if planned else 0.0
        before_last = planned[-1] - edges[-1] if edges else 0.0
        last = planned[-1] + (before_last if planned[-1] > 0 else 0.0) if planned else 0.0
        ends = [max(EARLIEST_WEEK, first), *edges, last]
        return cls([VisitWindow(week, ends[i], ends[i + 1]) for i, week in enumerate(planned)])

    def scheduled_week(self, actual: np.ndarray) -> np.ndarray:
        """Give the scheduled week of each actual week; NaN where no window holds it.

        Examples
        --------
        >>> schedule = VisitSchedule([VisitWindow(2, 1, 4), VisitWindow(6, 4, 9)])
        >>> schedule.scheduled_week(np.array([1.5, 4.0, 5.0, 10.0])).tolist()
        [2.0, 2.0, 6.0, nan]
        """
        best = np.full(len(actual), np.nan)
        nearest = np.full(len(actual), math.inf)
        day = in_days(actual)
        for window in self.windows:
            distance = days_apart(actual, window.week)
            inside = (day >= in_days(window.earliest)) & (day <= in_days(window.latest))
            # a baseline and a visit after the start share the edge 0: a visit on the day of the start is a baseline
            inside &= ~((window.week > 0) & (day <= 0) & ~np.isnan(best))
            closer = distance <= nearest if self.tie == "later" else distance < nearest
            taken = inside & closer
            best[taken], nearest[taken] = window.week, distance[taken]
        return best


@dataclass(frozen=True, repr=False)
class ScheduleReport(Result):
    """What became of every value when actual weeks became scheduled ones.

    Parameters
    ----------
    values : pandas.DataFrame
        One row a value: patient_id, measure, limb, actual_week, scheduled_week (missing where unscheduled),
        shift_weeks (actual less scheduled), outcome (on time, moved, unscheduled, dropped), reason.
    """

    values: pd.DataFrame

    @property
    def counts(self) -> dict[str, int]:
        """Number of values by outcome."""
        found = self.values["outcome"].value_counts()
        return {outcome: int(found.get(outcome, 0)) for outcome in (ON_TIME, MOVED, UNSCHEDULED, DROPPED)}

    @property
    def by_week(self) -> pd.DataFrame:
        """One row a scheduled week: week, on_time, moved, dropped (values), mean and range of the shift (weeks)."""
        known = self.values.dropna(subset=["scheduled_week"])
        rows = []
        for week, group in known.groupby("scheduled_week"):
            kept = group[group["outcome"] != DROPPED]["shift_weeks"]
            counts = {name: int((group["outcome"] == label).sum())
                      for name, label in (("on_time", ON_TIME), ("moved", MOVED), ("dropped", DROPPED))}  # fmt: skip
            rows.append(
                {"week": week, **counts, "mean_shift": kept.mean(), "earliest": kept.min(), "latest": kept.max()}
            )
        columns = ["week", "on_time", "moved", "dropped", "mean_shift", "earliest", "latest"]
        return pd.DataFrame(rows, columns=columns)

    @property
    def sentence(self) -> str:
        """One sentence for the provenance and the screen."""
        n = self.counts
        return (
            f"Visit windows: {n[ON_TIME]:,} values on their scheduled week, {n[MOVED]:,} moved to it, "
            f"{n[UNSCHEDULED]:,} unscheduled with their actual week, {n[DROPPED]:,} dropped."
        )

    def _headline(self) -> str:
        return self.sentence

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        return {"by_week": self.by_week}

    def _shown_notes(self) -> list[str]:
        reasons = self.values.loc[self.values["outcome"] == DROPPED, "reason"].value_counts()
        return [f"Dropped: {count:,} values, {reason}." for reason, count in reasons.items()]

    def write(self, path: Path) -> Path:
        """Write all rows as CSV, numbers unrounded; returns the path.

        A cell that a spreadsheet would run as a formula gets an apostrophe in front.
        """
        refuse_impossible_name(path)
        words = self.values.select_dtypes(exclude=["number", "bool"])
        table = self.values.assign(**{str(name): not_run(cells.astype("str")) for name, cells in words.items()})
        table.to_csv(path, index=False, encoding="utf-8", lineterminator="\n")
        return path


def schedule_visits(visits: pd.DataFrame, schedule: VisitSchedule) -> tuple[pd.DataFrame, ScheduleReport]:
    """Put scheduled weeks in the place of actual ones; give the visits that stay, in their order, and what became of all.

    A measure of one limb of one patient is judged on its own: the value that counts in a window may come from another
    day than that of another measure. The visits have patient_id, week (actual), measure, limb, value; their index is kept.
    Rows of the same patient, week, measure and limb stay duplicates, which the check finds.

    Examples
    --------
    >>> visits = pd.DataFrame({"patient_id": "a", "week": [5.0, 6.5, 30.0], "measure": "pain", "limb": "none",
    ...                        "value": [5, 4, 2]})
    >>> kept, report = schedule_visits(visits, VisitSchedule([VisitWindow(6, 4, 8)]))
    >>> kept[["week", "value"]].values.tolist(), report.values["outcome"].tolist()
    ([[6.0, 4.0], [30.0, 2.0]], ['dropped', 'moved', 'unscheduled'])
    """
    actual = visits["week"].to_numpy(dtype="float64")
    planned = schedule.scheduled_week(actual)
    inside = ~np.isnan(planned)
    counts = _counting(visits, actual, planned, schedule) & inside
    on_time = in_days(actual) == in_days(planned)
    outcome = np.where(counts, np.where(on_time, ON_TIME, MOVED), UNSCHEDULED).astype(object)
    reason = np.where(inside, "", "outside every window").astype(object)
    beaten = inside & ~counts
    outcome[beaten], reason[beaten] = DROPPED, f"another value counts in the window ({schedule.two_in_window})"
    new = np.where(counts, planned, actual)
    if schedule.others == "keep":
        free = beaten & ~_taken(visits, new, beaten, counts)
        outcome[free], reason[free] = UNSCHEDULED, "another value counts in the window"
    if schedule.unscheduled == "drop":
        outcome[~inside] = DROPPED
    shift = np.where(inside, actual - planned, np.nan)
    record = pd.DataFrame(
        {
            **{name: visits[name].to_numpy() for name in ("patient_id", "measure", "limb")},
            "actual_week": actual,
            "scheduled_week": planned,
            "shift_weeks": shift,
            "outcome": outcome,
            "reason": reason,
        },
        columns=list(REPORT_COLUMNS),
    )
    stays = outcome != DROPPED
    return visits.assign(week=new)[stays], ScheduleReport(record)


def to_scheduled_weeks(cohort: Cohort, schedule: VisitSchedule) -> tuple[Cohort, ScheduleReport]:
    """Put scheduled weeks in the place of the actual weeks of a cohort's visits; other tables keep theirs.

    Parameters
    ----------
    cohort : Cohort
        A cohort with actual weeks.
    schedule : VisitSchedule
        Windows and rules.

    Returns
    -------
    tuple of (Cohort, ScheduleReport)
        A new cohort, the step in its provenance, and what became of every value.

    Examples
    --------
    >>> from analysis.cohort.tables import Cohort
    >>> patients = pd.DataFrame({"patient_id": ["a"], "protocol": ["usual"]})
    >>> visits = pd.DataFrame({"patient_id": "a", "week": [0, 6.3], "measure": "pain", "limb": "none", "value": [6, 2]})
    >>> moved, report = to_scheduled_weeks(Cohort(patients, visits), VisitSchedule.halfway([0, 6]))
    >>> moved.visits["week"].tolist(), report.counts["moved"]
    ([0.0, 6.0], 1)
    """
    visits, report = schedule_visits(cohort.visits, schedule)
    return replace(cohort, visits=visits, provenance=cohort.provenance.with_step(report.sentence)), report


def _groups(visits: pd.DataFrame, week: np.ndarray) -> np.ndarray:
    """Number each patient, measure, limb and week."""
    keys = ["patient_id", "measure", "limb", week]
    return visits.groupby(keys, sort=False, observed=True, dropna=False).ngroup().to_numpy()


def _counting(visits: pd.DataFrame, actual: np.ndarray, planned: np.ndarray, schedule: VisitSchedule) -> np.ndarray:
    """Say which values count in their window: those of the one day that the rule chooses."""
    group, day = _groups(visits, planned), in_days(actual)
    late = day if schedule.tie == "earlier" else -day
    rank = {"nearest": days_apart(actual, planned), "first": day, "last": -day}[schedule.two_in_window]
    order = np.lexsort((late, np.nan_to_num(rank, nan=math.inf)))
    chosen = pd.Series(day[order]).groupby(group[order]).first()
    return np.asarray(day == chosen.to_numpy()[group])


def _taken(visits: pd.DataFrame, week: np.ndarray, rows: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Say which of some rows would get a patient, measure, limb and week that a counting value has."""
    group = _groups(visits, week)
    return rows & np.isin(group, group[counts])


def _wrong(problem: str, what_to_do: str) -> CohortError:
    return CohortError(f"The visit schedule cannot be used: {problem}.", where="visit windows", what_to_do=what_to_do)


def _or(options: tuple[str, ...]) -> str:
    return ", ".join(options[:-1]) + f" or {options[-1]}"
