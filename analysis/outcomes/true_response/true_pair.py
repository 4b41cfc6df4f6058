"""What the visits of each patient say of two true values: the one compared with the threshold, and an earlier one."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.cohort.schedule import moment
from analysis.outcomes.missing.gaps import patterns
from analysis.outcomes.missing.weekly_model import WeeklyModel

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Evidence:
    """What one pattern of visits says of the two true values z, standardised: exp(constant + z'given - z'weight z / 2).

    Attributes
    ----------
    weight : ndarray, shape (2, 2)
        The same for all patients of the pattern.
    given : ndarray, shape (patients, 2)
        One row a patient.
    constant : ndarray, shape (patients,)
        What the likelihood holds besides.
    """

    weight: Floats
    given: Floats
    constant: Floats


class TruePair:
    """The true change (or value) asked for, and the true value at another week, as the visits show them.

    Both are taken as deviations from the patient's expected values and standardised: the first has the standard
    deviation ``spread``, the second is what is left of the other true value given the first. All other true values
    are taken as linear in the two, with a normal rest, so that a patient's visits matter through the evidence only.

    Parameters
    ----------
    model : WeeklyModel
        The joint model of all visits.
    contrast : ndarray, shape (m,)
        Weights of the true values whose sum is compared with the threshold.
    true : ndarray, shape (m, m)
        Covariance of true values.
    error : ndarray, shape (m,)
        Variance of the error of one measurement at each week.

    Examples
    --------
    >>> from analysis.outcomes.missing.weekly_model import fit_weekly
    >>> from synthetic_cohort import generate_cohort
    >>> model = fit_weekly(generate_cohort(patients=120, seed=1).observed, "ikdc")
    >>> contrast = np.zeros(len(model.weeks))
    >>> contrast[[0, -1]] = -1, 1
    >>> error = np.full(len(model.weeks), 25.0)
    >>> pair = TruePair(model, contrast, model.covariance - np.diag(error), error)
    >>> pair.loading.shape == (len(model.weeks), 2), bool(pair.told() < 1)
    (True, True)
    """

    def __init__(self, model: WeeklyModel, contrast: Floats, true: Floats, error: Floats) -> None:
        mean = (model.design() @ model.fit.coefficient_values)[model.kinds[1]]
        self.residual: Floats = model.values - mean
        self.centre: Floats = mean @ contrast
        self.patterns = patterns(model.values)
        self.error, self.contrast = error, contrast
        decisive = np.flatnonzero(contrast).tolist()
        other = decisive[0] if len(decisive) > 1 else int(decisive[0] == 0)
        #: Places of the weeks that decide: those of the contrast, and that of the other true value.
        self.places: list[int] = sorted({*decisive, other})
        weeks = [f"true value at {moment(week)}" for week in model.weeks]
        #: What the two true values are called.
        self.names = ("true change" if len(decisive) > 1 else weeks[decisive[0]], weeks[other])
        rows = np.zeros((2, len(contrast)))
        rows[0], rows[1, other] = contrast, 1.0
        true = true + 1e-6 * np.trace(true + np.diag(error)) / len(error) * np.eye(len(error))
        factor = np.linalg.cholesky(rows @ true @ rows.T)
        self.spread = float(factor[0, 0])
        self.loading: Floats = np.linalg.solve(factor, rows @ true).T
        self.rest: Floats = true - self.loading @ self.loading.T

    def reading(self, seen: NDArray[np.bool_], inflation: dict[int, float]) -> tuple[Floats, Floats, Floats]:
        """Give how one pattern of visits, one or more, is read: what is linear in the visits, and how much it weighs.

        Parameters
        ----------
        seen : ndarray of bool, shape (m,)
            The weeks seen, q of them.
        inflation : dict of int to float
            Factors of the error variance at the places of weeks; 1 elsewhere.

        Returns
        -------
        tuple of ndarray
            Weights of the visits seen, shape (q, 2); weight of the evidence, shape (2, 2); covariance of the visits seen
            given the two true values, shape (q, q).
        """
        error = self.error.copy()
        for place, factor in inflation.items():
            error[place] *= factor
        noise: Floats = self.rest[np.ix_(seen, seen)] + np.diag(error[seen])
        weights = np.asarray(np.linalg.solve(noise, self.loading[seen]), dtype=np.float64)
        return weights, np.asarray(self.loading[seen].T @ weights, dtype=np.float64), noise

    def evidence(self, seen: NDArray[np.bool_], rows: NDArray[np.int64], inflation: dict[int, float]) -> Evidence:
        """Give what patients with one pattern of visits show.

        Parameters
        ----------
        seen, inflation
            As in :meth:`reading`.
        rows : ndarray of int
            The patients.
        """
        if not seen.any():
            return Evidence(np.zeros((2, 2)), np.zeros((len(rows), 2)), np.zeros(len(rows)))
        weights, weight, noise = self.reading(seen, inflation)
        y = self.residual[np.ix_(rows, seen)]
        square = np.einsum("ni,in->n", y, np.linalg.solve(noise, y.T))
        return Evidence(weight, y @ weights, -(float(np.linalg.slogdet(noise)[1]) + square) / 2)

    def told(self) -> float:
        """Give the share of the variance of the true change that the visits tell, where every week that decides is seen.

        Returns
        -------
        float
            Mean over the patients seen at all the places that decide; missing where there is none.
        """
        told, size = 0.0, 0
        for seen, rows in self.patterns:
            if seen[self.places].all():
                weight = self.evidence(seen, rows[:1], {}).weight
                told += len(rows) * float(np.linalg.solve(weight + np.eye(2), weight)[0, 0])
                size += len(rows)
        return told / size if size else float("nan")
