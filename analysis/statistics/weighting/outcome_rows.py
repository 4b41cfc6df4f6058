"""What an outcome model hands over: rows under each group, filled outcomes, each patient's part in the coefficients."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.statistics.weighting.leave_one_out import steps_without

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class OutcomeRows:
    """A linear outcome model, as means over patients need it.

    Parameters
    ----------
    coefficients : ndarray, shape (columns,)
        b.
    inverse : ndarray, shape (columns, columns)
        (sum of X' N X)^-1.
    rows : ndarray, shape (patients, visits, columns)
        X of each patient, rows of zeros where there was no visit.
    weight : ndarray, shape (patients, visits, visits)
        N, the inverse of the covariance of each patient's visits.
    pulled : ndarray, shape (patients, visits)
        N times the residuals.
    under : ndarray, shape (weeks, groups, patients, columns)
        The row of each patient at each week, had the patient been in each group.
    filled, slope : ndarray, shape (weeks, patients) and (weeks, patients, columns)
        The outcome at each week is ``filled + slope @ b``: the value itself where it was seen, otherwise what is expected
        given the visits that were.
    """

    coefficients: Floats
    inverse: Floats
    rows: Floats
    weight: Floats
    pulled: Floats
    under: Floats
    filled: Floats
    slope: Floats

    @cached_property
    def parts(self) -> Floats:
        """Each patient's part in the equations of the coefficients, shape (patients, columns)."""
        return np.asarray((self.rows.transpose(0, 2, 1) @ self.pulled[:, :, None])[:, :, 0])

    def without_each(self) -> Floats:
        """Give the coefficients without each patient, shape (patients, columns), the covariance held.

        Raises
        ------
        NotToldWithoutError
            As of :func:`analysis.statistics.weighting.leave_one_out.steps_without`.
        """
        return self.coefficients + steps_without(self.inverse, self.rows, self.weight, self.pulled)


def least_squares_rows(outcome: ArrayLike, design: ArrayLike, under: ArrayLike) -> OutcomeRows:
    """Hand over a model of one value a patient, fitted by least squares.

    Parameters
    ----------
    outcome : array_like, shape (patients,)
        The value of each.
    design : array_like, shape (patients, columns)
        Rows of the model, of full rank.
    under : array_like, shape (groups, patients, columns)
        Rows had each patient been in each group.

    Returns
    -------
    OutcomeRows
        Of one week; nothing is filled in.

    Examples
    --------
    >>> least_squares_rows([1.0, 3.0], [[1.0], [1.0]], [[[1.0], [1.0]]]).coefficients.round(6).tolist()
    [2.0]
    """
    value, matrix = np.asarray(outcome, dtype=np.float64), np.asarray(design, dtype=np.float64)
    root, triangle = np.linalg.qr(matrix)
    coefficients = np.linalg.solve(triangle, root.T @ value)
    back = np.linalg.inv(triangle)
    return OutcomeRows(
        coefficients=coefficients,
        inverse=back @ back.T,
        rows=matrix[:, None, :],
        weight=np.ones((len(value), 1, 1)),
        pulled=(value - matrix @ coefficients)[:, None],
        under=np.asarray(under, dtype=np.float64)[None],
        filled=value[None],
        slope=np.zeros((1, *matrix.shape)),
    )
