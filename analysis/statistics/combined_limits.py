"""Limits of a difference of two shares from the limits of each, so that they stay between -1 and 1."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

COMBINED = "score limits of both shares combined (MOVER)"


def share_limits(share: ArrayLike, size: ArrayLike, *, quantile: ArrayLike) -> tuple[Floats, Floats]:
    """Give score limits of shares whose error is that of so many patients counted once.

    Parameters
    ----------
    share : array_like
        Shares between 0 and 1.
    size : array_like
        Effective sizes, in patients: share (1 - share) over the squared standard error; they need not be whole.
    quantile : array_like
        Standard errors on each side; 1.96 for 95 %.

    Returns
    -------
    tuple of ndarray
        Lower and upper limits, between 0 and 1; missing where share or size is, or the size is 0.

    Notes
    -----
    Wilson, J Am Stat Assoc 1927;22:209; with an effective size as in Korn and Graubard (Surv Methodol 1998;24:193) and,
    for curves of survival, Dorey and Korn (Stat Med 1987;6:679). Written out, as statsmodels takes a level in place of
    the quantile, and pooled analyses have one of t.

    Examples
    --------
    >>> [limit.round(4).tolist() for limit in share_limits([0.0], [20.0], quantile=1.959964)]
    [[0.0], [0.1611]]
    """
    p, n, z = (np.asarray(values, dtype=float) for values in (share, size, quantile))
    n = np.where(n > 0, n, np.nan)
    centre = (p + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * np.sqrt(np.maximum(p * (1 - p), 0.0) / n + z**2 / (4 * n**2))
    return np.clip(centre - half, 0.0, p), np.clip(centre + half, p, 1.0)


def model_difference(shares: ArrayLike, covariance: ArrayLike, *, level: float) -> tuple[float, float, float, float]:
    """Compare two shares that a model gives with the covariance of their errors.

    Parameters
    ----------
    shares : array_like, shape (2,)
        The difference is the first minus the second.
    covariance : array_like, shape (2, 2)
        Of the errors.
    level : float
        Confidence level.

    Returns
    -------
    tuple of float
        Difference, standard error, lower and upper limit: score limits with the effective sizes that the errors stand for,
        combined with their correlation.

    Examples
    --------
    >>> model_difference([0.9, 0.5], np.diag([0.0045, 0.0125]), level=0.95)[2:]
    (0.11..., 0.61...)
    """
    from scipy.special import ndtri

    both, square = np.asarray(shares, dtype=float), np.asarray(covariance, dtype=float)
    variance, shared = np.diag(square), square[0, 1]
    limits = share_limits(both, both * (1 - both) / variance, quantile=float(ndtri((1 + level) / 2)))
    one, other = zip(*limits, strict=True)
    lower, upper = difference_limits(both[0], one, both[1], other, correlation=shared / np.sqrt(variance.prod()))
    return float(both[0] - both[1]), float(np.sqrt(variance.sum() - 2 * shared)), float(lower), float(upper)


def difference_limits(
    share: ArrayLike,
    limits: tuple[ArrayLike, ArrayLike],
    other: ArrayLike,
    other_limits: tuple[ArrayLike, ArrayLike],
    *,
    correlation: ArrayLike = 0.0,
) -> tuple[Floats, Floats]:
    """Combine the limits of two shares into those of their difference.

    Parameters
    ----------
    share, other : array_like
        Shares between 0 and 1; the difference is the first minus the other.
    limits, other_limits : tuple of array_like
        Lower and upper limits of each, at the level wanted.
    correlation : array_like
        Correlation of the errors of the two; 0 where other patients are in each.

    Returns
    -------
    tuple of ndarray
        Lower and upper limits, between -1 and 1, on either side of the difference.

    Notes
    -----
    Newcombe, Stat Med 1998;17:873 and (with a correlation) 2635; Zou and Donner, Stat Med 2008;27:1693, who call it
    the method of variance estimates recovery (MOVER): the distance of a limit from the difference is the root of the sum
    of the squared distances of the limits of both shares, on the sides that matter.

    Examples
    --------
    >>> first, second = (share_limits(k / n, n, quantile=1.959964) for k, n in ((56, 70), (48, 80)))
    >>> [float(limit.round(4)) for limit in difference_limits(0.8, first, 0.6, second)]
    [0.0524, 0.3339]
    """
    one, two = np.asarray(share, dtype=float), np.asarray(other, dtype=float)
    (low, high), (other_low, other_high) = (
        tuple(np.asarray(limit, dtype=float) for limit in both) for both in (limits, other_limits)
    )
    together = np.clip(np.asarray(correlation, dtype=float), -1.0, 1.0)

    def distance(a: Floats, b: Floats) -> Floats:
        return np.sqrt(np.maximum(a**2 + b**2 - 2 * together * a * b, 0.0))

    gap = one - two
    lower, upper = gap - distance(one - low, other_high - two), gap + distance(high - one, two - other_low)
    return np.maximum(lower, -1.0), np.minimum(upper, 1.0)
