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
    estimate, residual, spread, freedom = _least_squares(value, baseline, protocol, base, count)
    with np.errstate(invalid="ignore"):
        return estimate, residual @ residual / freedom * spread


def shifted_differences(
    value: Floats,
    shifted: NDArray[np.bool_],
    deltas: Floats,
    baseline: Floats | None,
    protocol: NDArray[np.int64],
    base: int,
    count: int,
) -> tuple[Floats, Floats]:
    """Do what :func:`mean_differences` does for many shifts of the same patients' values, without starting again.

    Parameters
    ----------
    value, baseline, protocol, base, count
        As in :func:`mean_differences`.
    shifted : ndarray of bool, shape (patients,)
        Whose values are shifted.
    deltas : ndarray, shape (shifts,)
        What is added to them.

    Returns
    -------
    tuple of ndarray, shape (shifts, count - 1)
        Differences and their squared standard errors.

    Notes
    -----
    Least squares is linear in the values: estimate and residuals of a shift are those of the values plus delta times
    those of the marks 0 and 1.

    Examples
    --------
    >>> value, protocol, last = np.array([1.0, 3, 4, 6]), np.array([0, 0, 1, 1]), np.array([False, False, False, True])
    >>> shifted_differences(value, last, np.array([0.0, 2.0]), None, protocol, 0, 2)[0].tolist()
    [[3.0], [4.0]]
    """
    estimate, residual, spread, freedom = _least_squares(value, baseline, protocol, base, count)
    more, along, _, _ = _least_squares(shifted.astype(np.float64), baseline, protocol, base, count)
    square = residual @ residual + 2 * deltas * (residual @ along) + deltas**2 * (along @ along)
    with np.errstate(invalid="ignore"):
        return estimate + np.outer(deltas, more), np.outer(square / freedom, spread)


def share_differences(
    response: NDArray[np.bool_], protocol: NDArray[np.int64], base: int, count: int
) -> tuple[Floats, Floats, Floats]:
    """Compare the share of responders of each protocol with that of one of them.

    Parameters
    ----------
    response : ndarray of bool, shape (patients,)
        Who responded.
    protocol, base, count
        As in :func:`mean_differences`.

    Returns
    -------
    tuple of ndarray, shapes (count - 1,), (count - 1,) and (count,)
        Differences of shares and their squared standard errors: p (1 - p) / n of both with one responder and one
        non-responder added to each (Agresti & Caffo, Am Stat 2000;54:280), so that nobody is not certainty; and the
        share of every protocol.

    Examples
    --------
    >>> difference, variance, _ = share_differences(np.array([True, False, True, True]), np.array([0, 0, 1, 1]), 0, 2)
    >>> difference.tolist(), variance.tolist()
    ([0.5], [0.109375])
    """
    size = np.bincount(protocol, minlength=count).astype(float)
    others = [k for k in range(count) if k != base]
    with np.errstate(divide="ignore", invalid="ignore"):
        yes = np.bincount(protocol, weights=response, minlength=count)
        share, added = yes / size, (yes + 1) / (size + 2)
        spread = np.where(size > 0, added * (1 - added) / (size + 2), np.nan)
    return share[others] - share[base], spread[others] + spread[base], share


def _least_squares(
    value: Floats, baseline: Floats | None, protocol: NDArray[np.int64], base: int, count: int
) -> tuple[Floats, Floats, Floats, float]:
    """Give the differences, residuals, variances of the differences over that of a residual, and degrees of freedom."""
    size = np.bincount(protocol, minlength=count).astype(float)
    others = [k for k in range(count) if k != base]
    lost = int((size > 0).sum())
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.bincount(protocol, weights=value, minlength=count) / size
        residual = value - mean[protocol]
        estimate = mean[others] - mean[base]
        spread = 1 / size[others] + 1 / size[base]
        if baseline is not None:
            start = np.bincount(protocol, weights=baseline, minlength=count) / size
            inside = baseline - start[protocol]
            square = float(inside @ inside)
            if square > 0:
                slope = float(inside @ residual) / square
                gap = start[others] - start[base]
                residual = residual - slope * inside
                estimate = estimate - slope * gap
                spread = spread + gap**2 / square
                lost += 1
    return estimate, residual, spread, float(len(value) - lost) if len(value) > lost else np.nan
