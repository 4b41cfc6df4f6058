"""Coefficients without one patient at a time, from one fit, and the error that follows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: A leverage this close to 1 is 1: without the patient the coefficients cannot be told, and the step is rounding.
_EXACT = 1e-7


class NotToldWithoutError(Exception):
    """Without some patients a coefficient cannot be estimated; ``places`` says which."""

    def __init__(self, places: NDArray[np.intp]) -> None:
        self.places = places
        super().__init__(f"{len(places)} patients")


def steps_without(inverse: Floats, rows: Floats, weight: Floats, pulled: Floats) -> Floats:
    """Give the change of the coefficients when each patient is left out.

    With A = sum of X' N X over patients, and X' d a patient's part in the equations, the change is
    -(A - X' N X)^-1 X' d = -A^-1 X' (I - N X A^-1 X')^-1 d: exact for weighted least squares, one Newton step elsewhere.

    Parameters
    ----------
    inverse : ndarray, shape (columns, columns)
        A^-1.
    rows : ndarray, shape (patients, visits, columns)
        X of each patient; rows of zeros where there was no visit.
    weight : ndarray, shape (patients, visits, visits)
        N of each patient.
    pulled : ndarray, shape (patients, visits)
        d of each patient: N times the residuals, or observed less expected.

    Returns
    -------
    ndarray, shape (patients, columns)

    Raises
    ------
    NotToldWithoutError
        A - X' N X has no inverse for some patients.

    Examples
    --------
    >>> x, y = np.array([1.0, 2.0, 4.0]), np.array([1.0, 3.0, 3.0])
    >>> slope = x @ y / (x @ x)
    >>> found = steps_without(np.array([[1 / (x @ x)]]), x[:, None, None], np.ones((3, 1, 1)), (y - slope * x)[:, None])
    >>> round(float(slope + found[2, 0]), 4), (1 * 1 + 2 * 3) / (1 + 4)
    (1.4, 1.4)
    """
    back = rows @ inverse
    leverage = weight @ (back @ rows.transpose(0, 2, 1))
    most = np.linalg.eigvals(leverage).real.max(axis=1, initial=0.0)
    without = np.flatnonzero(most > 1.0 - _EXACT)
    if without.size:
        raise NotToldWithoutError(without)
    solved = np.linalg.solve(np.eye(leverage.shape[1]) - leverage, pulled[:, :, None])
    return np.asarray(-(back.transpose(0, 2, 1) @ solved)[:, :, 0])


def jackknife_covariance(replicates: Floats) -> Floats:
    """Give the covariance of estimates, shape (estimates, estimates), from those without each patient.

    Parameters
    ----------
    replicates : ndarray, shape (patients, estimates)
        The estimates without each patient.

    Returns
    -------
    ndarray
        (n - 1) / n times the sum of products around their mean.

    Examples
    --------
    >>> values = np.array([1.0, 2.0, 4.0, 9.0])
    >>> means = ((values.sum() - values) / 3)[:, None]
    >>> bool(np.isclose(jackknife_covariance(means)[0, 0], values.var(ddof=1) / 4))
    True
    """
    apart = replicates - replicates.mean(axis=0)
    return np.asarray((len(apart) - 1) / len(apart) * apart.T @ apart)


def in_blocks(patients: int, size_of_one: int, compute: Callable[[slice], Floats], *, most: int = 1 << 21) -> Floats:
    """Compute replicates some patients at a time, so that no more than ``most`` numbers are held at once.

    Examples
    --------
    >>> in_blocks(5, 2, lambda part: np.arange(5.0)[part], most=4).tolist()
    [0.0, 1.0, 2.0, 3.0, 4.0]
    """
    step = max(1, most // max(size_of_one, 1))
    return np.concatenate([compute(slice(start, min(start + step, patients))) for start in range(0, patients, step)])
