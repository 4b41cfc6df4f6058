"""How far groups lie apart before and after weighting, and how many patients the weights stand for."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def shared_spread(one: ArrayLike, other: ArrayLike) -> float:
    """Give the standard deviation of two groups, the variances averaged.

    Austin, Stat Med 2009;28:3083: it is the denominator of a standardised difference. Missing where a group has fewer than two
    values, or nothing varies.

    Examples
    --------
    >>> round(shared_spread([1.0, 2.0, 3.0], [1.0, 1.0, 1.0]), 4)
    0.7071
    """
    first, second = np.asarray(one, dtype=float), np.asarray(other, dtype=float)
    if len(first) < 2 or len(second) < 2:
        return float("nan")
    spread = float(np.sqrt((first.var(ddof=1) + second.var(ddof=1)) / 2))
    return spread if spread > 0 else float("nan")


def weighted_mean(values: ArrayLike, weights: ArrayLike) -> float:
    """Give the weighted mean; missing of nobody.

    Examples
    --------
    >>> weighted_mean([1.0, 3.0], [3.0, 1.0])
    1.5
    """
    value, weight = np.asarray(values, dtype=float), np.asarray(weights, dtype=float)
    total = weight.sum()
    return float(weight @ value / total) if total > 0 else float("nan")


def weighted_variance(values: ArrayLike, weights: ArrayLike) -> float:
    """Give the weighted variance around the weighted mean, divided so that equal weights give the usual one.

    Examples
    --------
    >>> weighted_variance([1.0, 2.0, 3.0], [5.0, 5.0, 5.0])
    1.0
    """
    value, weight = np.asarray(values, dtype=float), np.asarray(weights, dtype=float)
    total = weight.sum()
    left = total - (weight @ weight) / total if total > 0 else 0.0
    if not left > 0:
        return float("nan")
    return float(weight @ (value - weighted_mean(value, weight)) ** 2 / left)


def distance(one: ArrayLike, other: ArrayLike, weights: ArrayLike, other_weights: ArrayLike) -> tuple[float, float]:
    """Give the standardised difference of a value, the first group less the other, without and with weights.

    Both are divided by :func:`shared_spread` of the values without weights, so that what changes is the difference.

    Examples
    --------
    >>> [round(x, 4) for x in distance([1.0, 2.0, 3.0], [2.0, 3.0, 4.0], [1, 1, 2], [2, 1, 1])]
    [-1.0, -0.5]
    """
    spread = shared_spread(one, other)
    raw = float(np.mean(np.asarray(one, dtype=float)) - np.mean(np.asarray(other, dtype=float)))
    after = weighted_mean(one, weights) - weighted_mean(other, other_weights)
    return raw / spread, after / spread


def variance_ratio(one: ArrayLike, other: ArrayLike, weights: ArrayLike, other_weights: ArrayLike) -> float:
    """Give the weighted variance of the first group over that of the other; missing where the other does not vary.

    Examples
    --------
    >>> variance_ratio([1.0, 2.0, 3.0], [2.0, 4.0, 6.0], [1, 1, 1], [1, 1, 1])
    0.25
    """
    below = weighted_variance(other, other_weights)
    return weighted_variance(one, weights) / below if below > 0 else float("nan")


def effective_size(weights: ArrayLike) -> float:
    """Give how many equally weighted patients the weights stand for (Kish): the squared sum over the sum of squares.

    Examples
    --------
    >>> effective_size([1.0, 1.0, 2.0])
    2.6666666666666665
    """
    weight = np.asarray(weights, dtype=float)
    squares = float(weight @ weight)
    return float(weight.sum() ** 2 / squares) if squares > 0 else float("nan")


def largest_share(weights: ArrayLike) -> float:
    """Give the share of all weight that one patient has at most.

    Examples
    --------
    >>> largest_share([1.0, 1.0, 2.0])
    0.5
    """
    weight = np.asarray(weights, dtype=float)
    total = float(weight.sum())
    return float(weight.max() / total) if total > 0 else float("nan")
