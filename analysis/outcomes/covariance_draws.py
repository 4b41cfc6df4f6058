"""Draws of the covariance parameters of a mixed model, on the scale of the log-Cholesky factor where there is one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.curves.mixed_model import MixedModel

    Floats = NDArray[np.float64]


class CovarianceDraws:
    """Draws of the covariance parameters of a mixed model from their approximate posterior.

    Parameters
    ----------
    fit : MixedModel
        The model.

    Examples
    --------
    >>> from analysis.outcomes.weekly_model import fit_weekly
    >>> from synthetic_cohort import generate_cohort
    >>> fit = fit_weekly(generate_cohort(patients=120, seed=1).observed, "pain").fit
    >>> CovarianceDraws(fit).draw(np.random.default_rng(1)).shape
    (28,)
    """

    def __init__(self, fit: MixedModel) -> None:
        self.covariance = fit.optimum.likelihood.covariance
        self.theta = fit.optimum.theta
        self.unstructured = fit.residual == "unstructured" and not self.covariance.effects
        spread = _inverse_information(fit)
        if self.unstructured:
            V = self.covariance.matrix(self.theta)[0]
            self.factor = np.linalg.cholesky(V)
            self.places = [np.argwhere(np.tril(one[0]) != 0)[0] for one in self.covariance.first(self.theta)]
            change = np.array([self._of_factor(one[0]) for one in self.covariance.first(self.theta)]).T
        else:
            self.phi = self.covariance.phi(self.theta)
            change = np.linalg.pinv(self.covariance.jacobian(self.phi))
        values, vectors = np.linalg.eigh(change @ spread @ change.T)
        self.root = np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)), dtype=np.float64)

    def draw(self, rng: np.random.Generator) -> Floats:
        """Draw the parameters as the likelihood takes them, once."""
        step = self.root @ rng.standard_normal(self.root.shape[1])
        if not self.unstructured:
            theta: Floats = self.covariance.theta(self.phi + step)
            return theta
        m = len(self.factor)
        factor = np.tril(self.factor, -1)
        rows, columns = np.tril_indices(m, -1)
        factor[rows, columns] += step[m:]
        factor[np.diag_indices(m)] = np.diag(self.factor) * np.exp(np.clip(step[:m], -5, 5))
        V = factor @ factor.T
        return np.array([V[row, column] for row, column in self.places])

    def _of_factor(self, change: Floats) -> Floats:
        """Change of the log diagonal and of the rest of the Cholesky factor for a change of V."""
        inverse = np.linalg.inv(self.factor)
        inner = np.tril(inverse @ change @ inverse.T)
        inner[np.diag_indices(len(inner))] /= 2
        moved = self.factor @ inner
        return np.concatenate([np.diag(moved) / np.diag(self.factor), moved[np.tril_indices(len(inner), -1)]])


def _inverse_information(fit: MixedModel) -> Floats:
    """Give the covariance of the covariance parameters; the expected information where the observed one fails."""
    for information in (fit.optimum.observed, fit.optimum.expected):
        values = np.linalg.eigvalsh(information)
        if values.min() > 1e-10 * values.max():
            return np.asarray(np.linalg.inv(information), dtype=np.float64)
    return np.zeros((len(fit.optimum.theta),) * 2)
