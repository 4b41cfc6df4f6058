"""What is computed from each completed data set: differences of means and of shares between protocols."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


#: A column adjusted for that adds less than this share of its square to the others and the protocols adds nothing.
_NOTHING_NEW = 1e-13


def covariate_columns(covariates: pd.DataFrame) -> Floats:
    """Give the columns of a model: numbers standardised, labels as indicators without the first.

    Examples
    --------
    >>> covariate_columns(pd.DataFrame({"age": [20.0, 40.0], "site": ["A", "B"]})).tolist()
    [[-1.0, 0.0], [1.0, 1.0]]
    """
    parts: list[Floats] = [np.empty((len(covariates), 0))]
    for name in covariates:
        values = covariates[name]
        if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
            numbers = values.to_numpy(dtype=float)
            spread = numbers.std()
            parts.append(((numbers - numbers.mean()) / (spread if spread > 0 else 1.0))[:, None])
        else:
            parts.append(pd.get_dummies(values.astype("str"), drop_first=True, dtype=float).to_numpy())
    return np.column_stack(parts)


def mean_differences(
    value: Floats, adjusting: Floats | None, protocol: NDArray[np.int64], base: int, count: int
) -> tuple[Floats, Floats]:
    """Compare the mean of each protocol with that of one of them, adjusted by common slopes.

    Parameters
    ----------
    value : ndarray, shape (patients,)
        Values at the week.
    adjusting : ndarray, shape (patients,) or (patients, columns), or None
        What is adjusted for: the values at the start, columns of covariates. A column that says nothing beyond the
        others and the protocols is passed over.
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
    estimate, residual, spread, freedom = _least_squares(value, adjusting, protocol, base, count)
    with np.errstate(invalid="ignore"):
        return estimate, residual @ residual / freedom * spread


def residual_freedom(adjusting: Floats | None, protocol: NDArray[np.int64], count: int) -> float:
    """Give the degrees of freedom that :func:`mean_differences` leaves; 1 where there are none.

    Examples
    --------
    >>> residual_freedom(None, np.array([0, 0, 1, 1]), 2)
    2.0
    """
    freedom = _least_squares(np.zeros(len(protocol)), adjusting, protocol, 0, count)[3]
    return freedom if np.isfinite(freedom) else 1.0


def shifted_differences(
    value: Floats,
    shifted: NDArray[np.bool_],
    deltas: Floats,
    adjusting: Floats | None,
    protocol: NDArray[np.int64],
    base: int,
    count: int,
) -> tuple[Floats, Floats]:
    """Do what :func:`mean_differences` does for many shifts of the same patients' values, without starting again.

    Parameters
    ----------
    value, adjusting, protocol, base, count
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
    estimate, residual, spread, freedom = _least_squares(value, adjusting, protocol, base, count)
    more, along, _, _ = _least_squares(shifted.astype(np.float64), adjusting, protocol, base, count)
    square = residual @ residual + 2 * deltas * (residual @ along) + deltas**2 * (along @ along)
    with np.errstate(invalid="ignore"):
        return estimate + np.outer(deltas, more), np.outer(square / freedom, spread)


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
        Differences of shares and their squared standard errors: p (1 - p) / n of both with one responder and one
        non-responder added to each (Agresti & Caffo, Am Stat 2000;54:280), so that nobody is not certainty.

    Examples
    --------
    >>> difference, variance = share_differences(np.array([True, False, True, True]), np.array([0, 0, 1, 1]), 0, 2)
    >>> difference.tolist(), variance.tolist()
    ([0.5], [0.109375])
    """
    size = np.bincount(protocol, minlength=count).astype(float)
    others = [k for k in range(count) if k != base]
    with np.errstate(divide="ignore", invalid="ignore"):
        yes = np.bincount(protocol, weights=response, minlength=count)
        share, added = yes / size, (yes + 1) / (size + 2)
        spread = np.where(size > 0, added * (1 - added) / (size + 2), np.nan)
    return share[others] - share[base], spread[others] + spread[base]


def _least_squares(
    value: Floats, adjusting: Floats | None, protocol: NDArray[np.int64], base: int, count: int
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
        if adjusting is not None and adjusting.size:
            columns = adjusting.reshape(len(value), -1)
            columns = columns / np.maximum(np.linalg.norm(columns, axis=0), np.finfo(float).tiny)
            means = np.stack([np.bincount(protocol, weights=one, minlength=count) for one in columns.T]) / size
            inside = columns - means[:, protocol].T
            squares, axes = np.linalg.eigh(inside.T @ inside)
            axes = axes[:, squares > _NOTHING_NEW] / np.sqrt(squares[squares > _NOTHING_NEW])
            inside, gap = inside @ axes, (means[:, others] - means[:, [base]]).T @ axes
            slopes = inside.T @ residual
            residual = residual - inside @ slopes
            estimate = estimate - gap @ slopes
            spread = spread + (gap**2).sum(axis=1)
            lost += axes.shape[1]
    return estimate, residual, spread, float(len(value) - lost) if len(value) > lost else np.nan
