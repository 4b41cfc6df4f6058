"""Changes made, in a period of the data."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.errors import ReportError
from analysis.quarter.periods import quarter_of

if TYPE_CHECKING:
    from collections.abc import Sequence


def changes_in(given: Sequence[str], periods: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Give changes with the first period of the data in which each held.

    Parameters
    ----------
    given : sequence of str
        Each as "2025-Q2: what was changed"; a month is given as 2025-04.
    periods : sequence of str
        Periods of the data up to the quarter.

    Returns
    -------
    tuple of (str, str)
        Period and words, each change once.

    Raises
    ------
    ReportError
        A text is no period and words, or its period is not among the data.

    Examples
    --------
    >>> changes_in(["2025-Q2: new garment"], ["2025-Q1", "2025-Q2"])
    (('2025-Q2', 'new garment'),)
    """
    found = []
    for text in given:
        at, colon, words = text.partition(":")
        at = at.strip()
        inside = [one for one in periods if at in (one, quarter_of(one))]
        if not colon or not words.strip() or not inside:
            raise ReportError(
                f"{text!r} is not a change in a period of the data.",
                where=f"changes; periods there: {periods[0]} to {periods[-1]}",
                what_to_do=f"Write it as {periods[-1]}: what was changed.",
            )
        found.append((inside[0], words.strip()))
    return tuple(dict.fromkeys(found))
