"""What is computed from each completed data set: differences of means and of shares between protocols."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def mean_differences(
    value: Floats, baseline: Floats | None, protocol: NDArray[np.int64], base: int, count: int
) -> tuple[Floats, Floats]:
    """Compare the mean of each protocol with that of one of them, adjusted for the baseline by a common slope.

    Parameters
    ----------
    value, baseline : ndarray, shape (patients,)
        Values at the week and at the start; no baseline: not adjusted.
    protocol : ndarray of int, shape (patients,)
        Number of each patient's protocol.
    base, count : int
        The protocol compared with, and how many there are.

    Returns
    -------
    tuple of ndarray, shape (count - 1,)
        Differences from the base in the order of the protocols, and their squared standard errors (least squares, one
        residual variance); missing where a protocol has nobody or too few patients are left.

    Examples
    --------
    >>> value, protocol = np.array([1.0, 3, 4, 6]), np.array([0, 0, 1, 1])
    >>> mean_differences(value, None, protocol, 0, 2)
    (array([3.]), array([2.]))
    """
    n = len(value)
    size = np.bincount(protocol, minlength=count).astype(float)
    others = [k for k in range(count) if k != base]
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.bincount(protocol, weights=value, minlength=count) / size
        within = value - mean[protocol]
        spread = 1 / size
        lost = int((size > 0).sum())
        if baseline is None:
            residual = within
            estimate, extra = mean[others] - mean[base], np.zeros(len(others))
        else:
            start = np.bincount(protocol, weights=baseline, minlength=count) / size
            inside = baseline - start[protocol]
            square = float(inside @ inside)
            slope = float(inside @ within) / square if square > 0 else 0.0
            residual = within - slope * inside
            gap = start[others] - start[base]
            estimate = mean[others] - mean[base] - slope * gap
            extra = gap**2 / square if square > 0 else np.zeros(len(others))
            lost += square > 0
        variance = residual @ residual / (n - lost) if n > lost else np.nan
        return estimate, variance * (spread[others] + spread[base] + extra)


def share_differences(
    response: NDArray[np.bool_], protocol: NDArray[np.int64], base: int, count: int
) -> tuple[Floats, Floats]:
    """Compare the share of responders of each protocol with that of one of them.

    Parameters
    ----------
    response : ndarray of bool, shape (patients,)
        Who responded.
    protocol, base, count
        As in :func:`mean_differences`.

    Returns
    -------
    tuple of ndarray, shape (count - 1,)
        Differences of shares and their squared standard errors, p (1 - p) / n added.

    Examples
    --------
    >>> difference, variance = share_differences(np.array([True, False, True, True]), np.array([0, 0, 1, 1]), 0, 2)
    >>> difference.tolist(), variance.tolist()
    ([0.5], [0.125])
    """
    size = np.bincount(protocol, minlength=count).astype(float)
    others = [k for k in range(count) if k != base]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.bincount(protocol, weights=response, minlength=count) / size
        spread = share * (1 - share) / size
    return share[others] - share[base], spread[others] + spread[base]
