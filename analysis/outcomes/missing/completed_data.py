"""What is computed from each completed data set: differences of means and of shares between protocols."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]


#: A column adjusted for that adds less than this share of its square to the others and the protocols adds nothing.
_NOTHING_NEW = 1e-13


def covariate_columns(covariates: pd.DataFrame, *, standardised: bool = True) -> Floats:
    """Give the columns of a model: numbers, standardised or as they are, and labels as indicators without the first.

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
            if standardised:
                spread = numbers.std()
                numbers = (numbers - numbers.mean()) / (spread if spread > 0 else 1.0)
            parts.append(numbers[:, None])
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
    estimate, square, spread, freedom = _least_squares(value[:, None], adjusting, protocol, base, count)
    with np.errstate(invalid="ignore"):
        return estimate[:, 0], square[0, 0] / freedom * spread


def residual_freedom(adjusting: Floats | None, protocol: NDArray[np.int64], count: int) -> float:
    """Give the degrees of freedom that :func:`mean_differences` leaves; 1 where there are none.

    Examples
    --------
    >>> residual_freedom(None, np.array([0, 0, 1, 1]), 2)
    2.0
    """
    freedom = _least_squares(np.zeros((len(protocol), 1)), adjusting, protocol, 0, count)[3]
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
    shifted : ndarray of bool, shape (groups, patients)
        Groups of patients whose values are shifted, one group at a time.
    deltas : ndarray, shape (shifts,)
        What is added to them.

    Returns
    -------
    tuple of ndarray, shape (groups, shifts, count - 1)
        Differences and their squared standard errors.

    Notes
    -----
    Least squares is linear in the values: estimate and residuals of a shift are those of the values plus delta times
    those of the marks 0 and 1.

    Examples
    --------
    >>> value, protocol = np.array([1.0, 3, 4, 6]), np.array([0, 0, 1, 1])
    >>> last = np.array([[False, False, False, True]])
    >>> shifted_differences(value, last, np.array([0.0, 2.0]), None, protocol, 0, 2)[0].tolist()
    [[[3.0], [4.0]]]
    """
    both = np.column_stack([value, shifted.T])
    estimate, square, spread, freedom = _least_squares(both, adjusting, protocol, base, count)
    estimates = estimate[:, 0] + deltas[:, None] * estimate[:, 1:].T[:, None, :]
    own, along = square[0, 1:][:, None], np.diag(square)[1:][:, None]
    squares = square[0, 0] + 2 * deltas * own + deltas**2 * along
    with np.errstate(invalid="ignore"):
        return estimates, squares[:, :, None] / freedom * spread


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
    values: Floats, adjusting: Floats | None, protocol: NDArray[np.int64], base: int, count: int
) -> tuple[Floats, Floats, Floats, float]:
    """Give, for several columns of values at once, what least squares on protocol and ``adjusting`` leads to.

    Returns differences, shape (count - 1, columns); sums of squares and products of the residuals, shape (columns,
    columns); variances of the differences over that of a residual; and the degrees of freedom.
    """
    n, many = values.shape
    columns = np.empty((n, 0)) if adjusting is None else adjusting.reshape(n, -1)
    cells = np.column_stack([values, columns])
    scale = np.sqrt(np.einsum("ij,ij->j", columns, columns))
    scale = np.concatenate([np.ones(many), np.where(scale > 0, scale, 1.0)])
    groups = (protocol[:, None] == np.arange(count)).astype(float)
    size, sums = groups.sum(axis=0), groups.T @ cells
    middle = sums.sum(axis=0) / n  # taken off first, so that little is lost where values vary little about it
    cells -= middle
    sums -= size[:, None] * middle
    others, there = [k for k in range(count) if k != base], size > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        means = sums / size[:, None]
        inside = (cells.T @ cells - sums[there].T @ means[there]) / np.outer(scale, scale)
        gap = (means[others] - means[base]) / scale
        spread = 1 / size[others] + 1 / size[base]
    squares, axes = np.linalg.eigh(inside[many:, many:])
    new = squares > _NOTHING_NEW
    axes = axes[:, new] / np.sqrt(squares[new])
    towards, across = axes.T @ inside[many:, :many], gap[:, many:] @ axes
    freedom = float(n - int(there.sum()) - axes.shape[1])
    return (
        gap[:, :many] - across @ towards,
        inside[:many, :many] - towards.T @ towards,
        spread + (across**2).sum(axis=1),
        freedom if freedom > 0 else np.nan,
    )
