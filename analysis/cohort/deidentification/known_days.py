"""Dates that give back the start: the same day for many patients, a day of the office, or a time to such a day.

Weeks from the start to a day that others know (an export, the end of a study) say the date of the start. Limits are
design choices; that such intervals count as dates follows from 45 CFR 164.514(b)(2)(i)(C) with (ii).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cohort.recognition.cells import Cells
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
_DAYS_IN = (1.0, 7.0, 14.0, 30.436875, 91.310625, 365.2425)
#: Patients share a day by their numbers this many times as often as they share one of start.
_MORE_THAN_USUAL = 2.5
#: Numbers that are a part of the date in more rows than this are that part; of few rows, in all.
_MOST, _FEW_ROWS = 0.6, 12
#: Days of this share of the patients or fewer are days on which something was done for many at once.
_BATCHES = 1 / 3
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
    batches = one_each and len(once) > 2 * _FEWEST and once["day"].nunique() <= _BATCHES * n_patients
    return (most >= _FEWEST and most >= _SHARE * n_patients) or most == n_patients or near or batches


def interval_gives_back(cells: Cells, starts: pd.Series | None, patients: pd.Series) -> bool:
    """Say whether numbers, as days to years from the start or to it, point to one day for many patients.

    How many share a day is compared with how many share a day of start as closely.

    Examples
    --------
    >>> starts = pd.Series(pd.date_range("2024-01-01", periods=12, freq="30D"))
    >>> weeks = (pd.Timestamp("2025-06-30") - starts).dt.days / 7
    >>> interval_gives_back(Cells(weeks), starts, pd.Series(list("abcdefghijkl")))
    True
    """
    if starts is None:
        return False
    known = pd.DataFrame({"number": cells.row_numbers, "start": _days(starts), "patient": patients.to_numpy()}).dropna()
    known = known.drop_duplicates(["patient", "number"])
    n_patients = known["patient"].nunique()
    if n_patients <= _FEWEST or known["number"].nunique() <= 2:
        return False
    number, start = known["number"].to_numpy(), known["start"].to_numpy()
    whole = bool((number % 1 == 0).all())
    for unit in _DAYS_IN:
        width = max(_WEEK, unit) if whole else _WEEK
        usual = _most_within(start, width) / n_patients
        for sign in (1.0, -1.0):
            most = _most_within(start + sign * unit * number, width)
            if most >= _FEWEST and most / n_patients >= max(_SHARE, _MORE_THAN_USUAL * min(1.0, usual)):
                return True
    return False


def date_parts(dates: pd.Series) -> np.ndarray:
    """Give day, month, year, quarter, week, weekday and day of the year of dates, and pairs of them, a row each."""
    date = dates.dt
    week = date.isocalendar()["week"].astype("float64")
    parts = (date.day, date.month, date.year, date.year % 100, date.quarter, date.day_of_week, date.day_of_week + 1,
             date.day_of_year, week, date.year % 100 * 100 + date.month, date.month * 100 + date.day,
             date.day * 100 + date.month, date.year * 100 + date.month)  # fmt: skip
    return np.array([part.astype("float64").to_numpy() for part in parts])


def is_part_of(cells: Cells, parts: np.ndarray) -> bool:
    """Say whether numbers are one of the parts of dates, in most rows; ``parts`` are those of :func:`date_parts`.

    Examples
    --------
    >>> days = pd.Series(pd.date_range("2024-01-01", periods=12, freq="37D"))
    >>> is_part_of(Cells(days.dt.month), date_parts(days)), is_part_of(Cells(pd.Series(range(12))), date_parts(days))
    (True, False)
    """
    numbers = cells.row_numbers.to_numpy()
    known = ~np.isnan(numbers) & ~np.isnan(parts[0])
    if known.sum() <= _FEWEST or len(np.unique(numbers[known])) <= 1:
        return False
    share = _MOST if known.sum() >= _FEW_ROWS else 0.99
    return bool(((parts[:, known] == numbers[known]).mean(axis=1) > share).any())


def far_before(dates: pd.Series, starts: pd.Series) -> bool:
    """Say whether most dates lie more than ten years before the start, as dates of birth do."""
    before = (starts - dates).dt.days.dropna()
    return bool(len(before)) and float(before.median()) > _LONG_BEFORE


def _most_within(days: np.ndarray, width: float) -> int:
    """Give the largest number of days within one span of so many."""
    order = np.sort(days)
    return int((np.searchsorted(order, order + width, side="right") - np.arange(len(order))).max())


def _days(dates: pd.Series) -> pd.Series:
    return (dates - pd.Timestamp("2000-01-01")).dt.days.astype("float64")


def _middle(days: pd.Series) -> float:
    """Give the width of the middle 80 % of the days."""
    low, high = days.quantile(_MIDDLE[0], "lower"), days.quantile(_MIDDLE[1], "higher")
    return float(high - low)
