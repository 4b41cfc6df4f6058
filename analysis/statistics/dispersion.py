"""How much groups differ beyond chance: the spread of their standardised values against what chance alone makes of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

CountKind = Literal["share", "rate"]
#: Share of the standardised values at each end that is pulled in before their spread is taken.
WINSORISED = 0.1
#: Fewer groups than this are not judged.
FEWEST_GROUPS = 3
#: Counts of a group with a larger variance than this are as good as normal.
_NORMAL_FROM = 30.0
#: Counts further out than so many standard deviations, and as many counts, are left away: they add nothing that is seen.
_REACH = 8.0
#: Sum of squares, the ends pulled in, of n independent normal values about their mean: groups, its mean and its variance, both
#: over n - 1. Simulated (a million samples; from 61 on 400,000), as tests/statistics/test_dispersion.py does it again.
_NORMAL_SUMS = np.array(
    [
        [3, 0.6468, 0.837], [4, 0.6535, 0.930], [5, 0.6599, 1.012], [6, 0.6674, 1.083], [7, 0.6731, 1.135],
        [8, 0.6795, 1.197], [9, 0.6854, 1.244], [10, 0.6910, 1.285], [11, 0.6969, 1.321], [12, 0.6908, 1.269],
        [13, 0.6873, 1.244], [14, 0.6845, 1.223], [15, 0.6835, 1.229], [16, 0.6835, 1.235], [17, 0.6828, 1.244],
        [18, 0.6842, 1.260], [19, 0.6851, 1.271], [20, 0.6864, 1.286], [21, 0.6885, 1.308], [22, 0.6860, 1.285],
        [23, 0.6850, 1.270], [24, 0.6839, 1.256], [25, 0.6835, 1.262], [26, 0.6831, 1.258], [27, 0.6829, 1.266],
        [28, 0.6833, 1.272], [29, 0.6836, 1.280], [30, 0.6842, 1.292], [31, 0.6851, 1.306], [32, 0.6839, 1.287],
        [33, 0.6833, 1.279], [34, 0.6826, 1.271], [35, 0.6828, 1.270], [36, 0.6825, 1.267], [37, 0.6823, 1.270],
        [38, 0.6826, 1.283], [39, 0.6830, 1.286], [40, 0.6831, 1.295], [41, 0.6834, 1.303], [46, 0.6820, 1.277],
        [51, 0.6825, 1.302], [56, 0.6814, 1.279], [61, 0.6820, 1.299], [71, 0.6813, 1.301], [81, 0.6813, 1.296],
        [91, 0.6811, 1.298], [101, 0.6806, 1.304], [151, 0.6800, 1.303], [201, 0.6794, 1.299], [401, 0.6793, 1.290],
    ]
)  # fmt: skip


@dataclass(frozen=True)
class Dispersion:
    """How much groups differ.

    Attributes
    ----------
    ratio : float
        Mean square of the standardised values, the ends pulled in, over what chance alone makes it: 1 on average where
        groups differ by chance alone.
    p_value : float
        Of chance alone making that ratio or a larger one.
    """

    ratio: float
    p_value: float


def dispersion(
    z: ArrayLike, denominator: ArrayLike, target: float, kind: CountKind = "share", *, part: float = 1.0
) -> Dispersion:
    """Hold the spread of standardised values against that of chance alone.

    Parameters
    ----------
    z : array_like of float
        Values of groups less the target, over their standard deviations by chance; three or more.
    denominator : array_like of float
        Sizes of the groups.
    target : float
        The share or the rate that they are about; not 0, and no share of 1.
    kind : {"share", "rate"}
        Binomial or Poisson counts.
    part : float
        Part that these groups have in the denominator of the target: 1 where it is their own whole, 0 where it is given from
        outside.

    Returns
    -------
    Dispersion
        Of the mean square; estimate and test are of one and the same number.

    Notes
    -----
    The ends are pulled in to the 10 % and the 90 % quantiles (Spiegelhalter, Stat Med 2005;24:1185, A.3), which leaves about
    0.68 of the mean square of chance; so it is divided by what chance leaves. The sum of squares under chance alone is taken
    for gamma with the mean and the variance of normal samples of as many groups, tabulated by simulation; for small
    denominators both are corrected by those of the binomial or Poisson counts themselves, pulled in alike. Size of the test
    at 5 %, simulated in tests/statistics/test_dispersion.py: 5 % with denominators of 50 and more; below them mostly
    less, as counts of few are coarse.

    Examples
    --------
    >>> found = dispersion([-4.0, 0.0, 4.0], [100, 100, 100], 0.5)
    >>> round(found.ratio, 1), found.p_value < 0.001
    (15.7, True)
    """
    values, n = np.asarray(z, dtype=float), np.asarray(denominator, dtype=float)
    low, high = np.quantile(values, [WINSORISED, 1 - WINSORISED])
    found = float(np.sum(np.clip(values, low, high) ** 2))
    mean, variance = normal_sum(len(values), part)
    by_mean, by_variance = _of_counts(n, target, kind)
    mean, variance = mean * by_mean, variance * by_variance
    return Dispersion(found / mean, float(stats.gamma.sf(found, mean**2 / variance, scale=variance / mean)))


def normal_sum(n: int, part: float = 1.0) -> tuple[float, float]:
    """Give mean and variance of the sum of squares of normal values, the ends pulled in.

    ``n`` are the groups, ``part`` how much of the whole they are about is their own. A value from outside moves all of them,
    which adds a chi-square of one degree of freedom.
    """
    groups, mean, variance = _NORMAL_SUMS.T
    order = np.argsort(1 / groups)
    at = [float(np.interp(1 / n, (1 / groups)[order], one[order])) * (n - 1) for one in (mean, variance)]
    return at[0] + (1 - part), at[1] + 2 * (1 - part) ** 2


def _of_counts(n: Floats, target: float, kind: CountKind) -> tuple[float, float]:
    """Give mean and variance of a square, pulled in, over those of a normal value: 1 and 1 for large denominators."""
    laws = [_law(float(one), target, kind) for one in n]
    normal, weights = _normal()
    if all(law is None for law in laws):
        return 1.0, 1.0
    known = [(normal, weights) if law is None else law for law in laws]
    low, high = _ends(np.concatenate([z for z, _ in known]), np.concatenate([p for _, p in known]) / len(n))
    means, variances = np.array([_moments(z, p, low, high) for z, p in known]).mean(axis=0)
    usual = _moments(normal, weights, *_ends(normal, weights))
    return float(means / usual[0]), float(variances / usual[1])


def _moments(z: Floats, p: Floats, low: float, high: float) -> tuple[float, float]:
    square = np.clip(z, low, high) ** 2
    mean = float((square * p).sum())
    return mean, float((square**2 * p).sum()) - mean**2


def _ends(z: Floats, p: Floats) -> tuple[float, float]:
    """Give the quantiles to which the ends are pulled in, interpolated between whole counts."""
    places, which = np.unique(np.round(z, 9), return_inverse=True)
    weight = np.bincount(which, p)
    low, high = np.interp([WINSORISED, 1 - WINSORISED], np.cumsum(weight) - weight / 2, places)
    return float(low), float(high)


@lru_cache(maxsize=1)
def _normal() -> tuple[Floats, Floats]:
    z = stats.norm.ppf((np.arange(2000) + 0.5) / 2000)
    return np.asarray(z, dtype=float), np.full(2000, 1 / 2000)


@lru_cache(maxsize=2000)
def _law(n: float, target: float, kind: CountKind) -> tuple[Floats, Floats] | None:
    """Give the standardised values of every count of a group with their chances; None where they are as good as normal."""
    variance = n * (target * (1 - target) if kind == "share" else target)
    if variance > _NORMAL_FROM:
        return None
    mean, reach = n * target, _REACH * (np.sqrt(variance) + 1)
    counts = np.arange(
        max(0.0, np.floor(mean - reach)), min(n if kind == "share" else np.inf, np.ceil(mean + reach)) + 1
    )
    chance = stats.binom.pmf(counts, n, target) if kind == "share" else stats.poisson.pmf(counts, mean)
    return (counts - mean) / np.sqrt(variance), np.asarray(chance, dtype=float)
