"""The as-of date of an import, as given or the last day seen, and the week up to which each patient's visits were due by then."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.follow_up.as_of import DUE_WEEK, day_in_words, kept_due_week, read_as_of, today, week_due
from analysis.cohort.follow_up.expected_visits import expected_weeks
from analysis.cohort.importing.map_file import ImportMap
from analysis.cohort.importing.start_dates import StartDates
from analysis.errors import CohortError

_DAYS = 7


@dataclass(frozen=True)
class LastDay:
    """Up to when the data go: what the cohort keeps of it, its patients with the week due, and what is said."""

    as_of: str | None
    patients: pd.DataFrame
    said: str


def last_day(
    mapped: ImportMap, given: str | None, starts: StartDates, tables: dict[str, pd.DataFrame], seen: pd.DataFrame
) -> LastDay:
    """Find the as-of date, and keep of it what the level of de-identification allows.

    ``given`` stands before what the map says; ``seen`` are the visits before any window moved them. At the safe-harbor level
    the year is kept, and no week due: an interval from the start to a day that others know is a date of the start
    (45 CFR 164.514(b)(2)(i)(C)).

    Raises
    ------
    CohortError
        The date is none, is to come, or lies before the last day seen.
    """
    people = tables["patients"]
    where = "--as-of" if given is not None else f"{mapped.name}, as_of"
    text = given if given is not None else mapped.as_of
    start = starts.by_patient(people["patient_id"])
    seen_to = _last_seen(start, people["patient_id"], {**tables, "visits": seen})
    day = read_as_of(text, where) if text is not None else seen_to
    if text is not None and seen_to is not None and day is not None and seen_to > day:
        raise CohortError(
            f"The as-of date {day} lies before the last day seen, {seen_to}.",
            where=where,
            what_to_do="Give the day up to which the data were collected, or leave later rows out of the source.",
        )
    if day is None:
        return LastDay(None, people, "Up to when the data were collected is not said (key as_of, option --as-of).")
    words = f"Data up to {day_in_words(day)}{'' if text is not None else ', the last day seen'}."
    if mapped.privacy == "safe-harbor":
        kept = f"Data up to {day.year}; the safe-harbor level keeps no day, so who was not yet due is not told from who was lost."
        return LastDay(str(day.year), people, kept)
    if DUE_WEEK in people:
        due = people[DUE_WEEK].astype(float)
    elif start is not None:
        due = pd.Series(week_due((pd.Timestamp(day) - start).dt.days / _DAYS), index=people.index)
    else:
        return LastDay(day.isoformat(), people, words)
    people = people.assign(**{DUE_WEEK: kept_due_week(due, expected_weeks(_seen(tables["visits"])))})
    return LastDay(day.isoformat(), people, words)


def _seen(visits: pd.DataFrame) -> pd.DataFrame:
    """Give patient and week of the visits with a value, every week at or before 0 as week 0."""
    known = visits.loc[visits["value"].notna() & visits["week"].notna(), ["patient_id", "week"]]
    return known.assign(week=known["week"].clip(lower=0.0)).drop_duplicates()


def _last_seen(start: pd.Series | None, patients: pd.Series, tables: dict[str, pd.DataFrame]) -> datetime.date | None:
    """Give the last day, not after today, on which a value was measured or an event happened."""
    if start is None:
        return None
    by_patient = start.set_axis(patients)
    by_patient = by_patient[~by_patient.index.duplicated()]
    latest = []
    for name in ("visits", "events"):
        if name not in tables or tables[name].empty:
            continue
        frame = tables[name].dropna(subset=["week"])
        began = by_patient.reindex(frame["patient_id"]).to_numpy()
        days = pd.Series(began + np.round(frame["week"].to_numpy() * _DAYS).astype("timedelta64[D]"))
        latest.append(days[days <= pd.Timestamp(today())].max())
    known = [day for day in latest if not pd.isna(day)]
    return max(known).date() if known else None
