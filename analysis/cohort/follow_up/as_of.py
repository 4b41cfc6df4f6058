"""Up to when the data were collected (the as-of date), and up to which week the visits of each patient were due by then."""

from __future__ import annotations

import datetime
import re

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from analysis.cohort.tables import Cohort
from analysis.errors import CohortError

DUE_WEEK = "due_week"
#: A visit is due when its week and a late window have passed: two weeks, or a tenth of the week where that is more
#: (common practice, no source).
_LATE_WEEKS, _LATE_SHARE = 2.0, 0.1
#: Where visits follow no schedule, the week up to which they were due is kept in steps of a quarter (design choice).
_STEP = 13.0
_DAYS = 7.0
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


def week_due(weeks_followed: ArrayLike) -> NDArray[np.float64]:
    """Give the week up to which visits were due, from the weeks between the start and the as-of date.

    Parameters
    ----------
    weeks_followed : array_like of float
        Weeks from surgery or start to the as-of date; missing where the start is not known.

    Returns
    -------
    numpy.ndarray
        The week whose late window (two weeks, or a tenth of the week where that is more) ended by the as-of date.

    Examples
    --------
    >>> week_due([8.0, 22.0, 28.6, 57.2]).round(6).tolist()
    [6.0, 20.0, 26.0, 52.0]
    """
    followed = np.asarray(weeks_followed, dtype=float)
    turning = _LATE_WEEKS / _LATE_SHARE + _LATE_WEEKS
    return np.where(followed >= turning, followed / (1 + _LATE_SHARE), followed - _LATE_WEEKS)


def kept_due_week(due: pd.Series, schedule: list[float]) -> pd.Series:
    """Give the last scheduled week that was due, the most that is kept: with the as-of date it would tell the day of the start.

    Parameters
    ----------
    due : pandas.Series of float
        Weeks up to which visits were due.
    schedule : list of float
        The scheduled weeks in order; empty where visits follow none, and steps of 13 weeks are taken.

    Returns
    -------
    pandas.Series of float
        One of the scheduled weeks; -1 where not even the first was due, missing where the start is not known.

    Examples
    --------
    >>> kept_due_week(pd.Series([30.0, 5.0, -3.0]), [0.0, 6.0, 26.0]).tolist()
    [26.0, 0.0, -1.0]
    >>> kept_due_week(pd.Series([30.0]), []).tolist()
    [26.0]
    """
    known = due.to_numpy(dtype=float)
    if not schedule:
        kept = np.where(known >= 0, np.floor(known / _STEP) * _STEP, -1.0)
    else:
        place = np.searchsorted(np.asarray(schedule), known + 1e-9, side="right") - 1
        kept = np.where(place >= 0, np.asarray(schedule)[np.maximum(place, 0)], -1.0)
    return pd.Series(np.where(np.isnan(known), np.nan, kept), index=due.index)


def due_weeks(cohort: Cohort) -> pd.Series:
    """Give the week up to which the visits of each patient were due by the as-of date.

    Parameters
    ----------
    cohort : Cohort
        The cohort; what it holds decides: the column due_week of the patients; otherwise, from quarters, the weeks from
        the end of the quarter to the as-of date, or to the last day seen where the cohort has none.

    Returns
    -------
    pandas.Series of float
        In the order of the patients; missing where it cannot be told, and then for all where the cohort holds neither.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> round(float(due_weeks(generate_cohort(patients=20, seed=1, quarters=2).observed).min()), 1)
    52.2
    >>> bool(due_weeks(generate_cohort(patients=20, seed=1).observed).isna().all())
    True
    """
    people = cohort.patients
    told = people[DUE_WEEK].astype(float) if DUE_WEEK in people else pd.Series(np.nan, index=people.index)
    last = _ends(cohort)
    day = as_of_day(cohort) or last_day_seen(cohort)
    if day is None or told.notna().all():
        return told
    followed = (pd.Timestamp(day) - last).dt.days / _DAYS
    # The last day seen is one by which late visits were still to come: no late window is taken from it.
    reached = week_due(followed) if as_of_day(cohort) is not None else followed.to_numpy(dtype=float)
    return told.fillna(pd.Series(reached, index=people.index))


def as_of_day(cohort: Cohort) -> datetime.date | None:
    """Return the as-of date where the cohort holds one to the day.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> as_of_day(generate_cohort(patients=20, seed=1, quarters=2).observed)
    datetime.date(2023, 8, 6)
    """
    return datetime.date.fromisoformat(cohort.as_of) if cohort.as_of and len(cohort.as_of) > 4 else None


def last_day_seen(cohort: Cohort) -> datetime.date | None:
    """Give the day by which the last value, session or event was seen at the latest start of its patient's quarter.

    Weeks are counted from the first day of the quarter, so the data reach this day at least; None without quarters.
    """
    first = _quarter_days(cohort)[0].set_axis(cohort.patients["patient_id"])
    latest = [
        (first.reindex(frame["patient_id"]) + pd.to_timedelta((7 * frame["week"]).to_numpy().round(), unit="D")).max()
        for name, frame in cohort.tables()
        if name in ("visits", "events") and len(frame)
    ]
    known = [day for day in latest if not pd.isna(day)]
    return max(known).date() if known else None


def follow_up_words(cohort: Cohort) -> str:
    """Say up to when the data were collected, as far as the cohort tells.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> follow_up_words(generate_cohort(patients=20, seed=1, quarters=2).observed)
    'Data up to 6 August 2023.'
    >>> follow_up_words(generate_cohort(patients=20, seed=1).observed)
    'Up to when the data were collected is not said; the last week seen is 52.'
    """
    day = as_of_day(cohort)
    if day is not None:
        return f"Data up to {day_in_words(day)}."
    if cohort.as_of:
        return f"Data up to {cohort.as_of}; at the safe-harbor level the day is not kept."
    seen = last_day_seen(cohort)
    if seen is not None:
        return f"Up to when the data were collected is not said; the last day seen is {day_in_words(seen)} or later."
    last = cohort.visits["week"].max()
    told = "" if pd.isna(last) else f"; the last week seen is {last:g}"
    return f"Up to when the data were collected is not said{told}."


def day_in_words(day: datetime.date) -> str:
    """Write a day as readers say it.

    Examples
    --------
    >>> day_in_words(datetime.date(2026, 3, 31))
    '31 March 2026'
    """
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def read_as_of(text: str, where: str) -> datetime.date:
    """Read an as-of date.

    Raises
    ------
    CohortError
        The text is no day, or a day to come.

    Examples
    --------
    >>> read_as_of("2026-03-31", "--as-of")
    datetime.date(2026, 3, 31)
    """
    try:
        day = datetime.date.fromisoformat(text.strip()) if re.fullmatch(r"\s*\d{4}-\d{2}-\d{2}\s*", text) else None
    except ValueError:
        day = None
    if day is None or day > today():
        raise CohortError(
            f"{text!r} is no day up to which data can have been collected."
            if day is None
            else f"{text} is still to come.",
            where=where,
            what_to_do="Write the last day of the data as 2026-03-31.",
        )
    return day


def today() -> datetime.date:
    """Return the day where the data are."""
    return datetime.date.today()  # noqa: DTZ011


def _ends(cohort: Cohort) -> pd.Series:
    return _quarter_days(cohort)[1]


def _quarter_days(cohort: Cohort) -> tuple[pd.Series, pd.Series]:
    """Give the first and the last day of the quarter, or month, of each patient."""
    people = cohort.patients
    nothing = pd.Series(pd.NaT, index=people.index, dtype="datetime64[ns]")
    if "quarter" not in people:
        return nothing, nothing
    days = {}
    for text in people["quarter"].dropna().astype("str").unique():
        found = re.fullmatch(r"(\d{4})-(?:Q([1-4])|(\d{2}))", text)
        if found:
            length = 3 if found[2] else 1
            month = 3 * int(found[2]) - 2 if found[2] else int(found[3])
            first = pd.Timestamp(int(found[1]), month, 1)
            days[text] = (first, first + pd.DateOffset(months=length) - pd.Timedelta(days=1))
    text = people["quarter"].astype("str").where(people["quarter"].notna())
    begins, ends = (text.map({name: pair[i] for name, pair in days.items()}) for i in (0, 1))
    return begins.astype("datetime64[ns]"), ends.astype("datetime64[ns]")
