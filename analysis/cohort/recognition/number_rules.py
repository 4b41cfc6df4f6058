"""Numbers that may say more than a measurement: of records, of rows, dates and ZIP codes written as numbers.

All limits are design choices.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cohort.recognition.cells import Cells

#: Of fewer patients it cannot be told whether days or numbers agree by chance, see ``test_few_patients``.
FEWEST_PATIENTS = 5
#: From this many cells on, whole numbers that are all different and without gaps, or that only rise, count the patients.
_FEWEST_COUNTED, _FEWEST_RISING = 10, 6
#: Whole numbers of which so large a share of the patients has one of its own may number records.
_OWN = 0.8
#: So many different numbers all read as dates by chance in no measurement that was looked at.
_FEWEST_DATES = 5
#: 101 to 131 are angles more often than days of January.
_FEWEST_MONTHS = 3
#: Days since 1899-12-30, as spreadsheets count them: from 1990 to 2040.
_SERIALS = (32_874, 51_500)
_YEARS = (1_900, 2_100)


def counts_patients(cells: Cells, patients: pd.Series | None = None) -> bool:
    """Say whether whole numbers, one a patient, run on without gaps or only rise from row to row: a number of the row.

    Examples
    --------
    >>> counts_patients(Cells(pd.Series(range(1, 13)))), counts_patients(Cells(pd.Series([60, 62, 61] * 4)))
    (True, False)
    """
    numbers = one_a_patient(cells.row_numbers, patients)
    if numbers is None or len(numbers) < _FEWEST_RISING or numbers.duplicated().any() or (numbers % 1).any():
        return False
    without_gaps = numbers.max() - numbers.min() + 1 == len(numbers) and len(numbers) >= _FEWEST_COUNTED
    return bool(without_gaps or numbers.is_monotonic_increasing or numbers.is_monotonic_decreasing)


def one_a_patient(numbers: pd.Series, patients: pd.Series | None = None) -> pd.Series | None:
    """Give the number of each patient, in the order of the rows; None where a patient has several.

    Examples
    --------
    >>> one_a_patient(pd.Series([3.0, 3.0, 5.0]), pd.Series(["a", "a", "b"])).tolist()
    [3.0, 5.0]
    >>> one_a_patient(pd.Series([3.0, 4.0, 5.0]), pd.Series(["a", "a", "b"])) is None
    True
    """
    known = numbers[numbers.notna() & np.isfinite(numbers)]
    if patients is None:
        return known
    whose = patients[known.index]
    both = pd.DataFrame({"patient": whose, "number": known})
    return None if len(both.drop_duplicates()) > whose.nunique() else known[~whose.duplicated()]


def each_has_own(cells: Cells, patients: pd.Series | None = None) -> bool:
    """Say whether nearly every patient has a number that no other has.

    Examples
    --------
    >>> each_has_own(Cells(pd.Series([7, 7, 3])), pd.Series(["a", "a", "b"])), each_has_own(Cells(pd.Series([7, 7, 7])))
    (True, False)
    """
    numbers = one_a_patient(cells.row_numbers, patients)
    return numbers is not None and len(numbers) > 0 and numbers.nunique() >= _OWN * len(numbers)


def whole_and_own(cells: Cells, patients: pd.Series | None = None) -> bool:
    """Say whether the numbers are whole, and there are nearly as many as patients.

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
    return bool(known.nunique() >= _OWN * n_patients)


def may_be_dates(numbers: pd.Series) -> bool:
    """Say whether different numbers all read as years, as day and month, as a date of six digits, or serial days.

    A point or a comma between the digits does not hide them.

    Examples
    --------
    >>> may_be_dates(pd.Series([1207.0, 305, 2811, 1411, 1009])), may_be_dates(pd.Series([120.0, 145, 160, 133, 150]))
    (True, False)
    >>> may_be_dates(pd.Series([12.07, 3.05, 28.11, 14.11, 10.09, 1.02, 30.06, 2.03]))
    True
    """
    numbers = without_point(numbers)
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


def without_point(numbers: pd.Series) -> pd.Series:
    """Give numbers of up to three decimals without the point; others as they are.

    Examples
    --------
    >>> without_point(pd.Series([12.07, 3.1])).tolist(), without_point(pd.Series([1 / 3])).round(2).tolist()
    ([1207.0, 310.0], [0.33])
    """
    for tens in (1.0, 10.0, 100.0, 1_000.0):
        moved = (numbers * tens).round(6)
        if not (moved.dropna() % 1).any():
            return moved
    return numbers


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
