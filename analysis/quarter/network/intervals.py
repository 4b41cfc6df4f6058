"""Counts that are known within limits only: tightened by the sums between them, and completed by one table that may be."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from analysis.errors import CohortError
from analysis.statistics.small_counts import LARGEST_HIDDEN, SMALLEST_HIDDEN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Sums = Sequence[tuple[int, Sequence[int]]]

#: Sums of whole numbers agree to this.
_NEAR = 1e-6
#: No count of a site is larger: stands for what nothing limits (design choice).
_LARGEST = 1e9


def tightened(lower: Floats, upper: Floats, sums: Sums) -> tuple[Floats, Floats]:
    """Narrow limits by sums: a part is at most its total without the least of the other parts, and so on, until nothing moves.

    ``sums`` name the position of a total and of its parts. The true numbers stay within; where a lower limit comes above the upper
    one the numbers contradict each other.

    Examples
    --------
    >>> low, high = tightened(np.array([30.0, 1, 0]), np.array([30.0, 10, np.inf]), [(0, (1, 2))])
    >>> low.tolist(), high.tolist()
    ([30.0, 1.0, 20.0], [30.0, 10.0, 29.0])
    """
    lower, upper = lower.copy(), upper.copy()
    for _ in range(len(lower) + 1):
        before = lower.copy(), upper.copy()
        for total, named in sums:
            parts = list(named)
            lower[total] = max(lower[total], lower[parts].sum())
            upper[total] = min(upper[total], upper[parts].sum())
            for part in parts:
                others = [one for one in parts if one != part]
                upper[part] = min(upper[part], upper[total] - lower[others].sum())
                lower[part] = max(lower[part], lower[total] - upper[others].sum())
        if np.array_equal(before[0], lower) and np.array_equal(before[1], upper):
            break
    return lower, upper


def limits_that_may_be_said(
    values: Floats, hidden: NDArray[np.bool_], small: NDArray[np.bool_], sums: Sums
) -> tuple[Floats, Floats]:
    """Give the limits of each count that a file may say: from 1 to 10 of small ones, where that gives none of them away.

    Hidden are all small counts and others beside them, as :func:`analysis.statistics.small_counts.hide_small_cells` chose them: of each
    nothing is known then. Saying of two parts of a shown 12 that both are below 11 would say that each is 2 or more, and of a 20 that both
    are 10; so it is said of one small count after the other, and only where every small count stays open from 1 to 10.

    Examples
    --------
    >>> hidden = np.array([False, True, True])
    >>> low, high = limits_that_may_be_said(np.array([30.0, 6, 24]), hidden, np.array([False, True, False]), [(0, (1, 2))])
    >>> low.tolist(), high.tolist()
    ([30.0, 1.0, 0.0], [30.0, 10.0, inf])
    >>> limits_that_may_be_said(np.array([12.0, 7, 5]), hidden, hidden, [(0, (1, 2))])[1].tolist()
    [12.0, inf, inf]
    """
    plain = np.where(hidden, 0.0, values), np.where(hidden, np.inf, values)
    lower, upper = plain[0].copy(), plain[1].copy()
    for cell in np.flatnonzero(small):
        lower[cell], upper[cell] = SMALLEST_HIDDEN, LARGEST_HIDDEN
        least, most = tightened(lower, upper, sums)
        if not _are_open(least[small], most[small]):
            lower[cell], upper[cell] = 0.0, np.inf
    reached = [_reach(lower, upper, sums, int(cell)) for cell in np.flatnonzero(small)]
    if reached and not _are_open(*map(np.array, zip(*reached, strict=True))):  # several sums together say more
        return plain
    return lower, upper


def _are_open(least: Floats, most: Floats) -> bool:
    return bool((least <= SMALLEST_HIDDEN + _NEAR).all() and (most >= LARGEST_HIDDEN - _NEAR).all())


def _reach(lower: Floats, upper: Floats, sums: Sums, cell: int) -> tuple[float, float]:
    """Give the smallest and largest value that a count can have while every sum holds, by linear programming."""
    found = []
    for sign in (1.0, -1.0):
        aim = np.zeros(len(lower))
        aim[cell] = sign
        answer = milp(aim, bounds=Bounds(lower, np.minimum(upper, _LARGEST)), constraints=_constraint(sums, len(lower)))
        found.append(float("nan") if answer.x is None else float(answer.x[cell]))
    return found[0], found[1]


def _constraint(sums: Sums, n: int) -> LinearConstraint:
    equations = np.zeros((max(1, len(sums)), n))
    for row, (total, parts) in enumerate(sums):
        equations[row, total] = 1.0
        equations[row, list(parts)] = -1.0
    return LinearConstraint(equations, -_NEAR, _NEAR)


def completed(lower: Floats, upper: Floats, sums: Sums, *, where: str) -> Floats:
    """Give whole numbers within the limits for which every sum holds: some that may be, not those that are.

    Raises
    ------
    CohortError
        There are none: the numbers contradict each other; ``where`` they stand.

    Examples
    --------
    >>> completed(np.array([30.0, 1, 20]), np.array([30.0, 10, 29]), [(0, (1, 2))], where="")[1:].sum()
    np.float64(30.0)
    """
    if np.array_equal(lower, upper):
        return lower
    found = milp(
        np.ones(len(lower)), integrality=np.ones(len(lower), dtype=int), bounds=Bounds(lower, np.minimum(upper, _LARGEST)),
        constraints=_constraint(sums, len(lower)),
    )  # fmt: skip
    if found.x is None:
        raise CohortError(
            "Counts contradict each other: no whole numbers within them add up.",
            where=where,
            what_to_do="Ask the site to count again; the file was changed after it was written.",
        )
    return np.asarray(np.round(found.x), dtype=float)


def in_words(lower: float, upper: float) -> str:
    """Write a count that may be known within limits only.

    Examples
    --------
    >>> in_words(31, 31), in_words(31, 40), in_words(1200, np.inf), in_words(np.nan, np.nan)
    ('31', 'from 31 to 40', '1200 or more', 'not known')
    """
    if np.isnan(lower) or np.isnan(upper):
        return "not known"
    if lower == upper:
        return f"{lower:.15g}"
    return f"{lower:.15g} or more" if np.isinf(upper) else f"from {lower:.15g} to {upper:.15g}"
