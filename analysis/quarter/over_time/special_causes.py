"""The one named set of rules by which control charts tell special causes from common cause."""

from __future__ import annotations

from itertools import groupby, pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike, NDArray

RULE_SET = "five rules of Provost and Murray, The Health Care Data Guide, 2011"
#: Words of each rule, in the order in which they are named.
RULES = {
    "outside": "a point outside the control limits",
    "shift": "eight or more points in a row on one side of the centre line",
    "trend": "six or more points in a row all rising or all falling",
    "two of three": "two of three points in a row in the outer third, on one side",
    "hugging": "fifteen or more points in a row in the inner third",
}
SHIFT, TREND, HUGGING = 8, 6, 15
_LIMIT, _OUTER, _INNER = 3.0, 2.0, 1.0


def special_causes(values: ArrayLike, centre: ArrayLike, sigma: ArrayLike) -> list[tuple[str, ...]]:
    """Apply the rules to the points of a control chart.

    Parameters
    ----------
    values, centre, sigma : array_like of float of shape (n,)
        Points in their order, centre line and standard deviation at each. Missing points are left out: the points
        beside them count as neighbours.

    Returns
    -------
    list of tuple of str
        For each point the names of the rules of :data:`RULES` whose pattern it belongs to; empty for missing points.

    Notes
    -----
    A point on the centre line neither adds to a shift nor ends it; two equal points neither add to a trend nor end
    it. Provost LP, Murray SK, The Health Care Data Guide, 2011 (rules read second hand in teaching material).

    Examples
    --------
    >>> special_causes([0.0, 3.5, -1.0], [0, 0, 0], [1, 1, 1])
    [(), ('outside',), ()]
    """
    z, order, found = _standardised(values, centre, sigma)
    wide = np.asarray(sigma, dtype=float)[order] > 0  # limits without width have no inner third
    runs = {
        "outside": [[int(i)] for i in np.flatnonzero(np.abs(z) > _LIMIT)],
        "shift": [run for run in sides(z) if len(run) >= SHIFT],
        "trend": [run for run in trends(np.asarray(values, dtype=float)[order]) if len(run) >= TREND],
        "two of three": list(_two_of_three(z)),
        "hugging": [run for run in _stretches((np.abs(z) < _INNER) & wide) if len(run) >= HUGGING],
    }
    for rule, patterns in runs.items():
        for position in sorted({int(order[i]) for pattern in patterns for i in pattern}):
            found[position] = (*found[position], rule)
    return found


def sides(distance: NDArray[np.float64]) -> list[list[int]]:
    """Give the runs of points on one side of zero; points at zero belong to none and end none.

    Examples
    --------
    >>> sides(np.array([1.0, 2.0, 0.0, 3.0, -1.0]))
    [[0, 1, 3], [4]]
    """
    away = np.flatnonzero(distance != 0).tolist()
    return [list(run) for _, run in groupby(away, key=lambda i: distance[i] > 0)]


def trends(values: NDArray[np.float64]) -> list[list[int]]:
    """Give the runs of points that all rise or all fall; of equal neighbours only the first counts.

    Examples
    --------
    >>> trends(np.array([1.0, 2.0, 2.0, 3.0, 1.0]))
    [[0, 1, 3], [3, 4]]
    """
    kept = [i for i in range(len(values)) if i == 0 or values[i] != values[i - 1]]
    steps = groupby(pairwise(kept), key=lambda step: values[step[1]] > values[step[0]])
    return [list(dict.fromkeys(i for step in run for i in step)) for _, run in steps]


def _standardised(
    values: ArrayLike, centre: ArrayLike, sigma: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.intp], list[tuple[str, ...]]]:
    y, middle, spread = (np.asarray(one, dtype=float) for one in (values, centre, sigma))
    order = np.flatnonzero(np.isfinite(y) & np.isfinite(middle) & np.isfinite(spread))
    distance = np.round(y[order] - middle[order], 12)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(distance == 0, 0.0, distance / spread[order])
    return z, order, [() for _ in y]


def _two_of_three(z: NDArray[np.float64]) -> Iterator[list[int]]:
    for side in (1.0, -1.0):
        outer = side * z > _OUTER
        for start in range(len(z) - 1):
            window = range(start, min(start + 3, len(z)))
            beyond = [i for i in window if outer[i]]
            if len(beyond) > 1:
                yield beyond


def _stretches(flags: NDArray[np.bool_]) -> list[list[int]]:
    runs = groupby(range(len(flags)), key=lambda i: bool(flags[i]))
    return [list(run) for flagged, run in runs if flagged]
