"""Dates that give back the start: the same day for many patients, a day of the office, or a time to such a day.

Weeks from the start to a day that others know (an export, the end of a study) say the date of the start. Limits are
design choices; that such intervals count as dates follows from 45 CFR 164.514(b)(2)(i)(C) with (ii).
"""

from __future__ import annotations

import pandas as pd

from analysis.cohort.recognition.known_columns import is_missing_mark, numbers_written
from analysis.cohort.recognition.trade_words import words_of

#: Words of a date that is the same for all patients by its nature: of the office, not of the patient.
_OFFICE = frozenset({
    "export", "exported", "extract", "extracted", "extraction", "update", "updated", "censor", "censored", "censoring", "cut",
    "cutoff", "created", "modified", "changed", "entered", "entry", "printed", "today", "now", "stand", "status", "report", "reported",
    "audit", "closure", "closed", "lock", "locked", "freeze", "download", "downloaded", "query", "run", "vital", "file", "stichtag",
    "auszug", "aktualisiert", "exportiert", "maj", "extraccion",
})  # fmt: skip
#: One day for this share of the patients, and for so many at least, is a day that others know.
_SHARE, _FEWEST = 0.2, 3
_WEEK = 7.0
_DAYS_IN = (1.0, 7.0, 30.436875, 365.2425)
#: Starts that lie closer together than this many times the width of a day that is looked for say nothing.
_WIDER = 4.0
_MIDDLE = (0.1, 0.9)
_LONG_BEFORE = 10 * 365.2425


def is_of_the_office(name: str) -> bool:
    """Say whether a name means a date of the office.

    Examples
    --------
    >>> is_of_the_office("Export date"), is_of_the_office("visit_date")
    (True, False)
    """
    return bool(set(words_of(name)) & _OFFICE)


def gives_back(dates: pd.Series, patients: pd.Series) -> bool:
    """Say whether dates are the same, or within a week, for so many patients that others may know the day.

    ``dates`` and ``patients`` are row by row; a patient counts once a day.

    Examples
    --------
    >>> days = pd.Series(pd.to_datetime(["2024-05-01"] * 3 + ["2024-01-01"]))
    >>> gives_back(days, pd.Series(list("abcd"))), gives_back(days.iloc[2:], pd.Series(list("cd")))
    (True, False)
    """
    once = pd.DataFrame({"day": dates.dt.normalize(), "patient": patients.to_numpy()}).dropna().drop_duplicates()
    n_patients = once["patient"].nunique()
    if once.empty or n_patients < 2:
        return False
    most = int(once["day"].value_counts().iloc[0])
    one_each = len(once) == n_patients
    near = one_each and len(once) > _FEWEST and _middle(_days(once["day"])) <= _WEEK
    return (most >= _FEWEST and most >= _SHARE * n_patients) or most == n_patients or near


def interval_gives_back(values: pd.Series, starts: pd.Series | None, patients: pd.Series) -> bool:
    """Say whether numbers, as days, weeks, months or years from the start or to it, all point to nearly the same day.

    Examples
    --------
    >>> starts = pd.Series(pd.date_range("2024-01-01", periods=8, freq="30D"))
    >>> weeks = (pd.Timestamp("2025-06-30") - starts).dt.days / 7
    >>> interval_gives_back(weeks, starts, pd.Series(list("abcdefgh")))
    True
    """
    if starts is None:
        return False
    known = values.notna() & starts.notna() & ~is_missing_mark(values)
    numbers = numbers_written([str(cell).strip() for cell in values[known]])
    if numbers is None or len(numbers) <= _FEWEST or patients[known].nunique() <= _FEWEST:
        return False
    start = _days(starts[known]).reset_index(drop=True)
    for unit in _DAYS_IN:
        width = max(_WEEK, unit)
        if _middle(start) <= _WIDER * width:
            continue
        if any(_middle(start + sign * unit * numbers) <= width for sign in (1.0, -1.0)):
            return True
    return False


def far_before(dates: pd.Series, starts: pd.Series) -> bool:
    """Say whether most dates lie more than ten years before the start, as dates of birth do."""
    before = (starts - dates).dt.days.dropna()
    return bool(len(before)) and float(before.median()) > _LONG_BEFORE


def _days(dates: pd.Series) -> pd.Series:
    return (dates - pd.Timestamp("2000-01-01")).dt.days.astype("float64")


def _middle(days: pd.Series) -> float:
    """Give the width of the middle 80 % of the days."""
    low, high = days.quantile(_MIDDLE[0], "lower"), days.quantile(_MIDDLE[1], "higher")
    return float(high - low)
