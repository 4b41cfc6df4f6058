"""Numbers that may say more than a measurement: of records, of rows, dates and ZIP codes written as numbers.

All limits are design choices.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cohort.recognition.cells import Cells

#: From this many cells on, whole numbers that are all different and without gaps count the patients.
_FEWEST_COUNTED = 10
#: Whole numbers of which so large a share of the patients has one of its own may number records.
_OWN = 0.8
#: So many different numbers all read as dates by chance in no measurement that was looked at.
_FEWEST_DATES = 5
#: 101 to 131 are angles more often than days of January.
_FEWEST_MONTHS = 3
#: Days since 1899-12-30, as spreadsheets count them: from 1990 to 2040.
_SERIALS = (32_874, 51_500)
_YEARS = (1_900, 2_100)


def counts_patients(cells: Cells) -> bool:
    """Say whether whole numbers, each there once, run on without gaps or only rise from row to row: a number of the row.

    Examples
    --------
    >>> counts_patients(Cells(pd.Series(range(1, 13)))), counts_patients(Cells(pd.Series([60, 62, 61] * 4)))
    (True, False)
    """
    numbers = cells.row_numbers.dropna()
    if len(numbers) < _FEWEST_COUNTED or numbers.duplicated().any() or (numbers % 1).any():
        return False
    without_gaps = numbers.max() - numbers.min() + 1 == len(numbers)
    return bool(without_gaps or numbers.is_monotonic_increasing or numbers.is_monotonic_decreasing)


def whole_and_own(cells: Cells, patients: pd.Series | None = None) -> bool:
    """Say whether the numbers are whole, and nearly every patient has another.

    Examples
    --------
    >>> whole_and_own(Cells(pd.Series([2231, 1874, 2007]))), whole_and_own(Cells(pd.Series([1.5, 2.5, 1.0])))
    (True, False)
    """
    numbers = cells.row_numbers
    known = numbers[numbers.notna() & np.isfinite(numbers)]
    if known.empty or (known % 1).any():
        return False
    n_patients = len(known) if patients is None else patients[known.index].nunique()
    return bool(n_patients > 1 and known.nunique() >= _OWN * n_patients)


def may_be_dates(numbers: pd.Series) -> bool:
    """Say whether different whole numbers all read as years, as day and month, as a date of six digits, or serial days.

    Examples
    --------
    >>> may_be_dates(pd.Series([1207.0, 305, 2811, 1411, 1009])), may_be_dates(pd.Series([120.0, 145, 160, 133, 150]))
    (True, False)
    """
    if (numbers % 1 == 0).all() and numbers.between(*_YEARS).all():
        return True
    if (
        numbers.nunique() < _FEWEST_DATES
        or (numbers % 1).any()
        or not np.isfinite(numbers).all()
        or (numbers < 101).any()
    ):
        return False
    if numbers.between(*_SERIALS).all():
        return True
    high, low = numbers // 100, numbers % 100
    day_month = any(
        bool((_day(day) & _month(month)).all()) and month.nunique() >= _FEWEST_MONTHS
        for day, month in ((high, low), (low, high))
    )
    date_6 = _month((numbers // 100) % 100) & (_day(low) | _day(numbers // 10_000)) & numbers.between(10_100, 999_999)
    return bool(day_month or date_6.all())


def may_be_zip_codes(numbers: pd.Series) -> bool:
    """Say whether different whole numbers all have five digits.

    Examples
    --------
    >>> may_be_zip_codes(pd.Series([94110.0, 60614, 10001]))
    True
    """
    return bool(len(numbers.unique()) > 1 and (numbers % 1 == 0).all() and numbers.between(10_000, 99_999).all())


def _day(numbers: pd.Series) -> pd.Series:
    return numbers.between(1, 31)


def _month(numbers: pd.Series) -> pd.Series:
    return numbers.between(1, 12)
