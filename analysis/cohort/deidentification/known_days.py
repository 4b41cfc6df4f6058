"""Dates that give back the start: the same day for many patients, a day of the office, or a time to such a day.

Weeks from the start to a day that others know (an export, the end of a study) say the date of the start. Limits are
design choices; that such intervals count as dates follows from 45 CFR 164.514(b)(2)(i)(C) with (ii).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cohort.recognition.cells import Cells
from analysis.cohort.recognition.number_rules import FEWEST_PATIENTS
from analysis.cohort.recognition.trade_words import words_of

#: Words of a date that is the same for all patients by its nature: of the office, not of the patient.
_OFFICE = frozenset({
    "export", "exported", "extract", "extracted", "extraction", "update", "updated", "censor", "censored", "censoring", "cut",
    "cutoff", "created", "modified", "changed", "entered", "entry", "printed", "today", "now", "stand", "status", "report", "reported",
    "audit", "closure", "closed", "lock", "locked", "freeze", "download", "downloaded", "query", "run", "vital", "file", "stichtag",
    "auszug", "aktualisiert", "exportiert", "maj", "extraccion",
})  # fmt: skip
#: One day for this share of the patients, and for so many at least, is a day that others may know; and it is one only where
#: so many times as many share it as where the starts are dealt out anew, so often.
_SHARE, _FEWEST, _FAR, _SHUFFLES = 0.2, 3, 1.5, 19
#: So many patients and rows are enough to tell.
_MOST_PATIENTS, _MOST_ROWS = 2_000, 20_000
#: Of so few days every place of a span is looked at, of more two.
_FEW_DAYS = 100
_WEEK = 7.0
_DAYS_IN = (1.0, 7.0, 14.0, 30.436875, 91.310625, 365.2425)
#: Numbers that are a part of the date in more rows than this are that part; of few rows, in all; and by so much more often
#: than parts of other rows' dates.
_MOST, _FEW_ROWS, _MORE = 0.6, 12, 0.15
#: Numbers of which so many are there once, in an order with days of such a rank correlation (exact for few rows), count them.
_EACH_ONCE, _IN_ORDER = 0.8, 0.9
_LONG_BEFORE = 10 * 365.2425


def is_of_the_office(name: str) -> bool:
    """Say whether a name means a date of the office.

    Examples
    --------
    >>> is_of_the_office("Export date"), is_of_the_office("visit_date")
    (True, False)
    """
    return bool(set(words_of(name)) & _OFFICE)


def gives_back(dates: pd.Series, starts: pd.Series, patients: pd.Series) -> bool:
    """Say whether dates lie together for so many patients that others may know the day, as those of an export do.

    ``dates``, ``starts`` and ``patients`` are row by row. What patients share by their own plan (week 6, days of a clinic) is
    no such day: it is shared as often where the starts are dealt out anew.

    Examples
    --------
    >>> starts = pd.Series(pd.date_range("2024-01-01", periods=12, freq="30D"))
    >>> own, same = starts + pd.Timedelta(weeks=6), pd.Series([pd.Timestamp("2025-06-30")] * 12)
    >>> gives_back(own, starts, pd.Series(list("abcdefghijkl"))), gives_back(same, starts, pd.Series(list("abcdefghijkl")))
    (False, True)
    """
    rows = pd.DataFrame({"day": _days(dates), "start": _days(starts), "patient": patients.to_numpy()}).dropna()
    n_patients = rows["patient"].nunique()
    if n_patients >= 2 and len(rows["day"].unique()) == 1:
        return True
    return _many_share(rows, (rows["day"] - rows["start"]).to_numpy(), _WEEK)


def interval_gives_back(cells: Cells, starts: pd.Series | None, patients: pd.Series) -> bool:
    """Say whether numbers, as days to years from the start or to it, point to one day for many patients.

    Examples
    --------
    >>> starts = pd.Series(pd.date_range("2024-01-01", periods=12, freq="30D"))
    >>> weeks = (pd.Timestamp("2025-06-30") - starts).dt.days / 7
    >>> interval_gives_back(Cells(weeks), starts, pd.Series(list("abcdefghijkl")))
    True
    """
    if starts is None:
        return False
    rows = pd.DataFrame({"number": cells.row_numbers, "start": _days(starts), "patient": patients.to_numpy()}).dropna()
    rows = rows.drop_duplicates(["patient", "number"])
    if rows["number"].nunique() <= 2:
        return False
    rows["patient"] = pd.factorize(rows["patient"])[0]  # once for all units
    number = rows["number"].to_numpy()
    whole = bool((number % 1 == 0).all())
    return any(
        _many_share(rows, sign * unit * number, max(_WEEK, unit) if whole else _WEEK)
        for unit in _DAYS_IN
        for sign in (1.0, -1.0)
    )


def _many_share(rows: pd.DataFrame, offsets: np.ndarray, width: float) -> bool:
    """Say whether start and offset lie within one span of days for many patients, and far more than by chance.

    Chance: the starts are dealt out to other patients, each of whom keeps the offsets.
    """
    codes, names = pd.factorize(rows["patient"])
    if len(names) <= _FEWEST:
        return False
    if len(names) > _MOST_PATIENTS:
        kept = codes < _MOST_PATIENTS
        rows, offsets, codes, names = rows[kept], offsets[kept], codes[kept], names[:_MOST_PATIENTS]
    starts = np.zeros(len(names))
    starts[codes] = rows["start"].to_numpy()
    most, spans = _together(starts[codes] + offsets, codes, width)
    many = most >= max(_FEWEST, _SHARE * len(names))
    few_spans = spans <= len(names) / 2
    rng = np.random.default_rng(0)
    for _ in range(_SHUFFLES):
        if not many and not few_spans:
            return False
        by_chance, spans_by_chance = _together(_dealt_out(starts, rng)[codes] + offsets, codes, width)
        many = many and most > _FAR * by_chance + 1
        few_spans = few_spans and spans < spans_by_chance / 2
    return many or few_spans


def _dealt_out(starts: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Give every patient the start of another."""
    order = rng.permutation(len(starts))
    answer = np.empty_like(starts)
    answer[order] = starts[np.roll(order, 1)]
    return answer


def _together(days: np.ndarray, patients: np.ndarray, width: float) -> tuple[int, int]:
    """Give the most patients of whom a day lies in one span, and the number of spans that hold any day."""
    answer, people = [], int(patients.max()) + 1
    for shift in (0.0, width / 2):
        span = np.floor((days + shift) / width).astype(np.int64)
        pairs = np.sort((span - span.min()) * people + patients)
        spans = pairs[np.diff(pairs, prepend=-1) != 0] // people
        counts = np.diff(np.flatnonzero(np.diff(spans, prepend=-1, append=-1)))
        answer.append((int(counts.max()), len(counts)))
    most = _in_any_span(days, patients, width) if len(days) <= _FEW_DAYS else max(one for one, _ in answer)
    return most, min(each for _, each in answer)


def _in_any_span(days: np.ndarray, patients: np.ndarray, width: float) -> int:
    """Give the most patients of whom a day lies in one span, wherever it begins."""
    order = np.argsort(patients, kind="stable")
    day = days[order]
    within = (day >= day[:, None]) & (day < day[:, None] + width)
    firsts = np.flatnonzero(np.diff(patients[order], prepend=-1))
    return int(np.logical_or.reduceat(within, firsts, axis=1).sum(axis=1).max())


def date_parts(dates: pd.Series) -> np.ndarray:
    """Give day, month, year, quarter, week, weekday and day of the year of dates, and pairs of them, a row each."""
    date = dates.dt
    week = date.isocalendar()["week"].astype("float64")
    parts = (date.day, date.month, date.year, date.year % 100, date.quarter, date.day_of_week, date.day_of_week + 1,
             date.day_of_year, week, date.year % 100 * 100 + date.month, date.month * 100 + date.day,
             date.day * 100 + date.month, date.year * 100 + date.month)  # fmt: skip
    return np.array([part.astype("float64").to_numpy() for part in parts])


def is_part_of(cells: Cells, parts: np.ndarray) -> bool:
    """Say whether numbers are one of the parts of dates, in most rows and far more often than parts of other rows' dates.

    ``parts`` are those of :func:`date_parts`.

    Examples
    --------
    >>> days = pd.Series(pd.date_range("2024-01-01", periods=12, freq="37D"))
    >>> is_part_of(Cells(days.dt.month), date_parts(days)), is_part_of(Cells(pd.Series(range(12))), date_parts(days))
    (True, False)
    """
    numbers = cells.row_numbers.to_numpy()
    known = np.flatnonzero(~np.isnan(numbers) & ~np.isnan(parts[0]))[:_MOST_ROWS]
    if len(known) <= _FEWEST or len(np.unique(numbers[known])) <= 1:
        return False
    share = _MOST if len(known) >= _FEW_ROWS else 0.99
    found = np.flatnonzero((parts[:, known] == numbers[known]).mean(axis=1) > share)
    rng = np.random.default_rng(0)
    shuffled = [rng.permutation(known) for _ in range(_SHUFFLES)] if len(found) else []
    return any(
        (parts[part, known] == numbers[known]).mean()
        > _MORE + max((parts[part, order] == numbers[known]).mean() for order in shuffled)
        for part in found
    )


def follows_calendar(cells: Cells, starts: pd.Series, patients: pd.Series) -> bool:
    """Say whether the first number of each patient lies in a fixed distance to the calendar week, month or day of the start.

    Examples
    --------
    >>> days = pd.Series(pd.date_range("2024-01-01", periods=12, freq="37D"))
    >>> follows_calendar(Cells((days.dt.month + 5) % 12 + 1), days, pd.Series(range(12)))
    True
    """
    rows = pd.DataFrame({"number": cells.row_numbers, "start": starts, "patient": patients.to_numpy()}).dropna()
    if rows.empty or (rows["number"] % 1).any():
        return False
    rows = rows.groupby("patient")[["number", "start"]].min()
    if len(rows) < FEWEST_PATIENTS or rows["number"].nunique() <= 2:
        return False
    number, day = rows["number"].to_numpy(), rows["start"].dt
    share = _MOST if len(rows) >= _FEW_ROWS else 0.99
    rng = np.random.default_rng(0)
    parts = ((day.isocalendar()["week"], 52, 3), (day.month, 12, 1), (day.day_of_year, 365, 7))
    for part, cycle, width in parts:
        known = part.to_numpy().astype("float64")
        if (found := _in_step(number - known, cycle, width)) <= share:
            continue
        chance = max(_in_step(number - _dealt_out(known, rng), cycle, width) for _ in range(_SHUFFLES))
        if found > _MORE + chance:
            return True
    return False


def _in_step(distances: np.ndarray, cycle: int, width: int) -> float:
    """Give the largest share of distances within one span of a cycle."""
    places = np.mod(distances, cycle)
    return float(max((np.mod(places - low, cycle) < width).mean() for low in np.unique(places)))


def rises_with(cells: Cells, days: pd.Series, patients: pd.Series, *, by_row: bool) -> bool:
    """Say whether numbers come in the order of days, as those of appointments and bills do; nearly each must be there once.

    ``by_row`` looks at the rows too where a patient has several numbers: they must be whole.

    Examples
    --------
    >>> days = pd.Series(pd.date_range("2024-01-01", periods=12, freq="37D"))
    >>> rises_with(Cells(pd.Series(range(300, 348, 4))), days, pd.Series(range(12)), by_row=True)
    True
    """
    rows = pd.DataFrame({"number": cells.row_numbers, "day": _days(days), "patient": patients.to_numpy()}).dropna()
    if len(rows.drop_duplicates(["patient", "number"])) > rows["patient"].nunique():
        if not by_row or (rows["number"] % 1).any():
            return False
    else:
        rows = rows.groupby("patient")[["number", "day"]].min()
    n = len(rows)
    if n < FEWEST_PATIENTS or min(rows["number"].nunique(), rows["day"].nunique()) < _EACH_ONCE * n:
        return False
    agree = abs(float(np.corrcoef(rows["number"].rank(), rows["day"].rank())[0, 1]))
    return agree >= (_IN_ORDER if n >= _FEW_ROWS else 0.999)


def far_before(dates: pd.Series, starts: pd.Series) -> bool:
    """Say whether most dates lie more than ten years before the start, as dates of birth do."""
    before = (starts - dates).dt.days.dropna()
    return bool(len(before)) and float(before.median()) > _LONG_BEFORE


def _days(dates: pd.Series) -> pd.Series:
    return (dates - pd.Timestamp("2000-01-01")).dt.days.astype("float64")
