"""What one patient's visits say: records, each with what was looked at, made once; every claim of the page speaks from them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from analysis.cohort import Cohort, Measure
from analysis.cohort.follow_up.as_of import due_weeks
from analysis.cohort.follow_up.expected_visits import expected_weeks, seen_weeks
from analysis.curves.patient_on_cohort import PatientOnCohort
from analysis.outcomes.endpoint import rounding_room
from analysis.outcomes.patients.patient_flow import ENDING_WORDS
from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold


@dataclass(frozen=True)
class OffVisit:
    """A visit off the expected curve: its value, the limits of what was expected, and its centile among the others."""

    week: float
    value: float
    lower: float
    upper: float
    place: Literal["above", "below"]
    centile: float


@dataclass(frozen=True)
class PastThreshold:
    """The value that is worst against the start, by a threshold or more, and the last one."""

    start: float
    value: float
    week: float
    last_value: float
    last_week: float
    threshold: str
    amount: float


@dataclass(frozen=True)
class Ahead:
    """What is expected at the last week of the curves, after the last visit, with the interval of a value."""

    week: float
    estimate: float
    lower: float
    upper: float


@dataclass(frozen=True)
class MeasureFindings:
    """What the visits of one measure say.

    Attributes
    ----------
    measure : Measure
        The measure.
    compared : int
        Visits that have an expectation.
    off : tuple of OffVisit
        Those off the expected curve.
    placed : int
        Visits with a centile among patients of the same protocol and baseline.
    outer : tuple of float
        Weeks of those in the tail on the worse side; a value beyond the best one is not worse for being less far beyond.
    past : PastThreshold or None
        Where a value is worse than the start by a threshold or more.
    last_week, last_value, last_centile : float
        The last visit.
    ahead : Ahead or None
        None where nothing lies ahead.
    """

    measure: Measure
    compared: int
    off: tuple[OffVisit, ...]
    placed: int
    outer: tuple[float, ...]
    past: PastThreshold | None
    last_week: float
    last_value: float
    last_centile: float
    ahead: Ahead | None


@dataclass(frozen=True)
class PatientFindings:
    """What was found of one patient, in the order in which a reader must know it.

    Attributes
    ----------
    measures : tuple of MeasureFindings
        In the order of the page.
    level : float
        Level of the intervals; the tails hold the rest.
    serious, ended : tuple of (str, float)
        Events on record that were serious, and that ended the follow-up, each with its week.
    events : int or None
        All events on record; None where events are not.
    missed : tuple of float
        The last scheduled weeks, at which the patient was not seen.
    last_seen : float or None
        The last week seen, of any measure; None where never.
    """

    measures: tuple[MeasureFindings, ...]
    level: float
    serious: tuple[tuple[str, float], ...]
    ended: tuple[tuple[str, float], ...]
    events: int | None
    missed: tuple[float, ...]
    last_seen: float | None

    @property
    def compared(self) -> int:
        """Values that have an expectation."""
        return sum(one.compared for one in self.measures)

    @property
    def off(self) -> int:
        """Values off the expected curve."""
        return sum(len(one.off) for one in self.measures)

    @property
    def by_chance(self) -> float:
        """Values that chance alone would mark in an ordinary recovery."""
        return self.compared * (1 - self.level)


def find(
    found: Sequence[PatientOnCohort],
    *,
    thresholds: Mapping[str, ChosenThreshold],
    cohort: Cohort,
    patient: str,
    events: pd.DataFrame | None,
    level: float,
) -> PatientFindings:
    """Judge what the results of one patient say; nothing is rounded here.

    A visit off the expected curve is marked once, since what follows is expected from it; a patient who is low from the
    first visit on may have none. For the tails every visit is taken by itself.
    """
    seen = seen_weeks(cohort)
    own = seen.loc[seen["patient_id"] == patient, "week"]
    due = due_weeks(cohort)[cohort.patients["patient_id"].eq(patient)].fillna(float("inf"))
    until = float(due.iloc[0]) if len(due) else float("inf")
    return PatientFindings(
        measures=tuple(_measure(one, thresholds.get(one.measure.name), level) for one in found),
        level=level,
        serious=_serious(events),
        ended=_ended(events),
        events=None if events is None else len(events),
        missed=tuple(float(week) for week in expected_weeks(seen) if week <= until and (own.empty or week > own.max())),
        last_seen=None if own.empty else float(own.max()),
    )


def _measure(one: PatientOnCohort, threshold: ChosenThreshold | None, level: float) -> MeasureFindings:
    known = one.visits[one.visits["centile"].notna()]
    place = known["centile"] if one.measure.sign > 0 else 100 - known["centile"]
    worse = (place < 50 * (1 - level)) & ~known["value"].map(one.measure.is_beyond_ideal).astype(bool)
    off = [
        OffVisit(
            week=float(row["week"]), value=float(row["value"]), lower=float(row["lower"]), upper=float(row["upper"]),
            place="below" if row["place"] == "below" else "above", centile=float(row["centile"]),
        )
        for row in one.off.to_dict("records")
    ]  # fmt: skip
    last, end = one.visits.iloc[-1], one.ahead.iloc[-1] if len(one.ahead) else None
    return MeasureFindings(
        measure=one.measure,
        compared=len(one.compared),
        off=tuple(off),
        placed=len(known),
        outer=tuple(known.loc[worse, "week"].astype(float)),
        past=_past(one, threshold),
        last_week=float(last["week"]),
        last_value=float(last["value"]),
        last_centile=float(last["centile"]),
        ahead=None
        if end is None
        else Ahead(float(end["week"]), float(end["estimate"]), float(end["lower"]), float(end["upper"])),
    )


def _past(one: PatientOnCohort, threshold: ChosenThreshold | None) -> PastThreshold | None:
    start, after = one.visits[one.visits["week"] <= 0], one.visits[one.visits["week"] > 0]
    if threshold is None or start.empty or after.empty:
        return None
    base = float(start["value"].iloc[-1])
    worth = one.measure.worth
    loss = worth(start["value"].iloc[[-1]]).iloc[0] - worth(after["value"])
    if loss.max() < threshold.value - float(rounding_room(threshold.value)):
        return None
    worst, last = after.iloc[int(loss.to_numpy().argmax())], after.iloc[-1]
    return PastThreshold(
        start=base, value=float(worst["value"]), week=float(worst["week"]), last_value=float(last["value"]),
        last_week=float(last["week"]), threshold=threshold.name, amount=threshold.value,
    )  # fmt: skip


def _serious(events: pd.DataFrame | None) -> tuple[tuple[str, float], ...]:
    if events is None or "serious" not in events:
        return ()
    rows = events[events["serious"].fillna(value=False).astype(bool)].sort_values("week")
    return tuple((str(row["event"]), float(row["week"])) for row in rows.to_dict("records"))


def _ended(events: pd.DataFrame | None) -> tuple[tuple[str, float], ...]:
    if events is None:
        return ()
    rows = events[events["event"].astype("str").str.lower().str.contains("|".join(ENDING_WORDS))]
    return tuple((str(row["event"]), float(row["week"])) for row in rows.to_dict("records"))
