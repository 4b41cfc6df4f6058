"""Two shares or two rates against each other, by exact tests given the sum of their counts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.statistics.dispersion import CountKind


def two_counts(kind: CountKind, first: tuple[float, float], second: tuple[float, float]) -> float:
    """Give the two-sided p value of two shares or two rates being one: twice the smaller tail, given the sum of both counts.

    Parameters
    ----------
    kind : {"share", "rate"}
        Hypergeometric or binomial.
    first, second : tuple of float
        Numerator and denominator of each.

    Returns
    -------
    float

    Notes
    -----
    Fisher's exact test of shares (hypergeometric); of rates the conditional test of two Poisson counts (binomial; Przyborowski
    and Wilenski, Biometrika 1940;31:313, from memory). Counts are whole numbers, so both hold their level and mostly more.

    Examples
    --------
    >>> round(two_counts("share", (3, 10), (7, 10)), 4), round(two_counts("rate", (2, 1), (8, 1)), 4)
    (0.1789, 0.1094)
    """
    count, total = round(first[0]), round(first[0]) + round(second[0])
    if kind == "rate":
        part = first[1] / (first[1] + second[1])
        below, above = special.bdtr(count, total, part), special.bdtrc(count - 1, total, part) if count else 1.0
        return float(min(1.0, 2 * min(below, above)))
    size, others = round(first[1]), round(second[1])
    total = min(total, size + others)
    possible = np.arange(max(0, total - others), min(size, total) + 1)
    chance = np.exp(_ways(size, possible) + _ways(others, total - possible) - _ways(size + others, np.array(total)))
    return float(min(1.0, 2 * min(chance[possible <= count].sum(), chance[possible >= count].sum())))


def _ways(n: int, k: NDArray[np.int_]) -> NDArray[np.float64]:
    """Give the logarithm of the number of ways to choose k of n."""
    return np.asarray(special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1), dtype=float)
