"""Draws from the posterior of the joint model of visits: exact, week after week, by monotone data augmentation."""

import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.outcomes.missing.covariance_draws import CovarianceDraws
from analysis.outcomes.missing.gaps import Gaps
from analysis.outcomes.missing.joint_model import JointModel

Floats = NDArray[np.float64]

_EXACT = "Parameters are drawn from their posterior, week after week (monotone data augmentation)."
_STEPS = "Parameters are drawn from their posterior, by Metropolis steps from a normal approximation."
_APPROXIMATE = (
    "Parameters are drawn from a normal approximation of their posterior, since too few patients came to a week for its "
    "regression on the weeks before, or nobody with some label of a covariate; intervals may be a little short."
)
#: Degrees of freedom that the regression of each week must have: below, a drawn variance has no mean (design choice).
_LEAST_FREEDOM = 3
#: Between draws as many steps are made as bring the correlation of two draws below this (design choice).
_CORRELATION = 0.05


class MonotoneDraws:
    """Draws of the coefficients and of the unstructured covariance of a joint model.

    Parameters
    ----------
    model : JointModel
        The model; :meth:`fit_for` says whether it can be drawn from in this way.

    Notes
    -----
    Where nobody comes back after a missed visit, the likelihood falls into the regressions of each week on the design
    and the weeks before, among those who came that long. With a flat prior for the coefficients and 1 / variance in each
    of them, the residual sum of squares over the variance is chi-square and the coefficients are normal given the
    variance (Rubin, Multiple Imputation for Nonresponse in Surveys, 1987, 5.3 and 5.4). Gaps between visits are filled
    from the model in turn with that (monotone data augmentation, Schafer, Analysis of Incomplete Multivariate Data, 1997,
    6.5); gaps after the last visit are not needed.

    Examples
    --------
    >>> from analysis.outcomes.missing.weekly_model import fit_weekly
    >>> from synthetic_cohort import generate_cohort
    >>> model = fit_weekly(generate_cohort(patients=120, seed=1).observed, "pain")
    >>> coefficients, covariance = next(MonotoneDraws(model).draws(1, np.random.default_rng(1)))
    >>> coefficients.shape, covariance.shape
    ((21,), (7, 7))
    """

    def __init__(self, model: JointModel) -> None:
        self.model, self.weeks = model, len(model.weeks)
        kinds, design = model.kinds[1], model.design()
        columns = _first_week(design)
        chosen = _independent(columns)
        self.start = model.fit.coefficient_values
        self.columns = columns[chosen]
        self.to_coefficients = np.linalg.inv(design[chosen].reshape(-1, design.shape[2]))
        self.scale = np.sqrt(np.diag(model.covariance))
        rest = (model.values - (design @ self.start)[kinds]) / self.scale
        last = _last(rest)
        order = np.argsort(last, kind="stable")
        rest, last, design_of = rest[order], last[order], columns[kinds[order]]
        seen = np.isfinite(rest)
        gone = np.arange(self.weeks) > last[:, None]
        between = (~seen & ~gone).any(axis=1)
        self.reached = (~gone).sum(axis=0)
        self.whole = _sums(design_of[~between], rest[~between], last[~between])
        self.design, self.rest, self.last = design_of[between], rest[between], last[between]
        self.gaps = Gaps(self.rest, np.flatnonzero((~seen & ~gone).any(axis=0)).tolist())
        missed = float((~seen & ~gone).sum()) / max(float((~gone).sum()), 1.0)
        self.steps = max(1, math.ceil(math.log(_CORRELATION) / math.log(missed))) if missed > 0 else 1

    @staticmethod
    def fit_for(model: JointModel) -> bool:
        """Whether the model is drawn from in this way: unstructured, every column told apart, enough patients."""
        fit = model.fit
        if fit.residual != "unstructured" or fit.optimum.likelihood.covariance.effects or fit.basis.dropped:
            return False
        columns, weeks = _first_week(model.design()).shape[1], len(model.weeks)
        reached = (_last(model.values)[:, None] >= np.arange(weeks)).sum(axis=0)
        enough = reached - columns - np.arange(weeks) >= _LEAST_FREEDOM
        return bool(enough.all()) and columns * weeks == len(fit.coefficient_values)

    def draws(self, number: int, rng: np.random.Generator) -> Iterator[tuple[Floats, Floats]]:
        """Draw again and again.

        Yields
        ------
        tuple of ndarray
            Coefficients, shape (p,), and covariance, shape (weeks, weeks), in the units of the measure.
        """
        means = np.zeros((self.design.shape[1], self.weeks))
        V = self.model.covariance / np.outer(self.scale, self.scale)
        warm = 5 * self.steps if len(self.rest) else 0
        for step in range(warm + number * self.steps):
            means, V = self._step(means, V, rng)
            if step >= warm and (step - warm) % self.steps == self.steps - 1:
                added = self.to_coefficients @ (self.columns @ means * self.scale).ravel()
                yield self.start + added, V * np.outer(self.scale, self.scale)

    def _step(self, means: Floats, V: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Fill the gaps between visits, then draw the regression of every week; means by column of the design."""
        sums = self.whole
        if len(self.rest):
            filled = self.gaps.fill((self.design @ means)[self.gaps.rows], V, rng)
            sums = sums + _sums(self.design, filled, self.last)
        q = len(means)
        means, factor = np.zeros_like(means), np.zeros_like(V)
        for week in range(self.weeks):
            known = q + week
            square = sums[week][:known, :known]
            root = np.linalg.cholesky(square)
            towards = sums[week][:known, known]
            slopes = np.linalg.solve(square, towards)
            residual = sums[week][known, known] - slopes @ towards
            deviation = np.sqrt(residual / rng.chisquare(self.reached[week] - known))
            slopes = slopes + deviation * np.linalg.solve(root.T, rng.standard_normal(known))
            means[:, week] = slopes[:q] + means[:, :week] @ slopes[q:]
            factor[week, :week] = slopes[q:] @ factor[:week, :week]
            factor[week, week] = deviation
        return means, factor @ factor.T


def how_drawn(model: JointModel) -> str:
    """Say in a sentence how the parameters of a model are drawn."""
    if MonotoneDraws.fit_for(model):
        return _EXACT
    return _APPROXIMATE if CovarianceDraws(model.fit).unstructured else _STEPS


def _last(values: Floats) -> NDArray[np.int64]:
    """Give the place of the last week seen of each patient; -1 where there is none."""
    seen = np.isfinite(values)
    last = values.shape[1] - 1 - np.argmax(seen[:, ::-1], axis=1)
    return np.where(seen.any(axis=1), last, -1)


def _sums(design: Floats, values: Floats, last: NDArray[np.int64]) -> Floats:
    """Give sums of squares and products of design and values, for each week of those who came that long or longer.

    Patients are in the order of their last week.
    """
    weeks = values.shape[1]
    cells = np.column_stack([design, np.where(np.arange(weeks) > last[:, None], 0.0, values)])
    stops = np.searchsorted(last, np.arange(weeks + 1))
    by_last = np.stack([cells[a:b].T @ cells[a:b] for a, b in pairwise(stops)])
    return np.asarray(by_last[::-1].cumsum(axis=0)[::-1], dtype=np.float64)


def _first_week(design: Floats) -> Floats:
    """Give the columns that act at the first week, which hold all that the later weeks repeat."""
    first = design[:, 0]
    return first[:, (first != 0).any(axis=0)]


def _independent(columns: Floats) -> NDArray[np.int64]:
    """Choose as many kinds of patients as there are columns, so that these tell all columns apart."""
    from scipy.linalg import qr

    order = qr(columns.T, mode="r", pivoting=True)[1]
    return np.asarray(order[: columns.shape[1]], dtype=np.int64)
