"""Periods of a quarter's report: quarters and months as text, put in order and counted on."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analysis.cohort.follow_up.as_of import MONTHS
from analysis.errors import CohortError

if TYPE_CHECKING:
    from collections.abc import Iterable

_PERIOD = re.compile(r"^(?P<year>[12]\d{3})-(?:Q(?P<quarter>[1-4])|(?P<month>0[1-9]|1[0-2]))$")
_MONTHS_IN_A_QUARTER, _QUARTERS_IN_A_YEAR, _MONTHS_IN_A_YEAR = 3, 4, 12


def is_quarter(period: str) -> bool:
    """Return whether a period is a quarter; otherwise it is a month.

    Examples
    --------
    >>> is_quarter("2026-Q1"), is_quarter("2026-01")
    (True, False)
    """
    return "Q" in period


def period_number(period: str) -> int:
    """Count periods, so that neighbours differ by one.

    Parameters
    ----------
    period : str
        A quarter such as ``2026-Q1`` or a month such as ``2026-01``.

    Returns
    -------
    int
        Quarters, or months, since the year 0.

    Raises
    ------
    CohortError
        The text is not a period.

    Examples
    --------
    >>> period_number("2026-Q1") - period_number("2025-Q4"), period_number("2026-03") - period_number("2025-12")
    (1, 3)
    """
    found = _PERIOD.match(str(period))
    if not found:
        raise CohortError(
            f"{str(period)!r} is not a period.",
            where="quarters of patients, or periods of the aggregates",
            what_to_do="Write quarters as 2026-Q1 and months as 2026-01.",
        )
    year = int(found["year"])
    if found["quarter"]:
        return year * _QUARTERS_IN_A_YEAR + int(found["quarter"]) - 1
    return year * _MONTHS_IN_A_YEAR + int(found["month"]) - 1


def every_period(periods: Iterable[str]) -> list[str]:
    """Give every period from the first to the last, those without data included.

    Parameters
    ----------
    periods : iterable of str
        Quarters, or months; not both.

    Returns
    -------
    list of str
        In order, without gaps; empty where none are given.

    Raises
    ------
    CohortError
        One is not a period, or quarters and months are mixed.

    Examples
    --------
    >>> every_period(["2026-Q1", "2025-Q3"])
    ['2025-Q3', '2025-Q4', '2026-Q1']
    """
    given = list(dict.fromkeys(periods))
    numbers = [period_number(one) for one in given]
    if not numbers:
        return []
    kinds = {is_quarter(one) for one in given}
    if len(kinds) > 1:
        raise CohortError(
            "Quarters and months are mixed.",
            where="periods of the aggregates",
            what_to_do="Give every period as a quarter (2026-Q1), or every one as a month (2026-01).",
        )
    quarters = kinds.pop()
    return [_written(number, quarters=quarters) for number in range(min(numbers), max(numbers) + 1)]


def quarter_of(period: str) -> str:
    """Return the quarter that a period is in.

    Examples
    --------
    >>> quarter_of("2026-02"), quarter_of("2026-Q1")
    ('2026-Q1', '2026-Q1')
    """
    number = period_number(period)
    return period if is_quarter(period) else _written(number // _MONTHS_IN_A_QUARTER, quarters=True)


def quarter_before(quarter: str) -> str:
    """Return the quarter before.

    Examples
    --------
    >>> quarter_before("2026-Q1")
    '2025-Q4'
    """
    return _written(period_number(quarter) - 1, quarters=True)


def quarter_in_words(quarter: str) -> str:
    """Write a quarter, or a month, as readers say it.

    Examples
    --------
    >>> quarter_in_words("2026-Q1"), quarter_in_words("2026-03")
    ('Q1 2026', 'March 2026')
    """
    period_number(quarter)
    year, part = quarter.split("-")
    return f"{part if is_quarter(quarter) else MONTHS[int(part) - 1]} {year}"


def _written(number: int, *, quarters: bool) -> str:
    if quarters:
        return f"{number // _QUARTERS_IN_A_YEAR:04d}-Q{number % _QUARTERS_IN_A_YEAR + 1}"
    return f"{number // _MONTHS_IN_A_YEAR:04d}-{number % _MONTHS_IN_A_YEAR + 1:02d}"
