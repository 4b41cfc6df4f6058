"""Draws of the covariance parameters of a mixed model, where they cannot be drawn exactly week after week."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from analysis.curves.engine.likelihood import Evaluation
from analysis.curves.mixed_model import MixedModel

Floats = NDArray[np.float64]


#: Metropolis steps between draws: with three proposals of four taken, as is usual here, neighbours hardly resemble each
#: other (design choice).
STEPS = 5


class CovarianceDraws:
    """Draws of the covariance parameters of a mixed model from their posterior, or from its normal approximation.

    Parameters
    ----------
    fit : MixedModel
        The model.

    Notes
    -----
    The approximation is a normal about the estimates with the inverse of the observed information, on the scale that
    the optimiser works on; for an unstructured covariance on that of its log-Cholesky factor. From it other covariances
    are drawn exactly: its draws are proposals of a Metropolis chain (Tierney, Ann Stat 1994;22:1701, independence chain)
    whose target is the restricted likelihood, in which the coefficients are integrated out, with a flat prior on that
    scale. An unstructured one is drawn from the approximation; where its posterior is a proper one, see
    :class:`analysis.outcomes.missing.monotone_draws.MonotoneDraws`.

    Examples
    --------
    >>> from analysis.outcomes.missing.weekly_model import fit_weekly
    >>> from synthetic_cohort import generate_cohort
    >>> fit = fit_weekly(generate_cohort(patients=120, seed=1).observed, "pain").fit
    >>> next(CovarianceDraws(fit).evaluations(1, np.random.default_rng(1))).theta.shape
    (28,)
    """

    def __init__(self, fit: MixedModel) -> None:
        self.fit = fit
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

    def evaluations(self, number: int, rng: np.random.Generator) -> Iterator[Evaluation]:
        """Draw again and again; give the likelihood at each draw.

        Yields
        ------
        Evaluation
            Of the (restricted) likelihood, with the parameters ``theta``.
        """
        here, weight = self.fit.optimum, -self.fit.optimum.criterion / 2
        for _ in range(number):
            for _step in range(1 if self.unstructured else STEPS):
                noise = np.asarray(rng.standard_normal(self.root.shape[1]), dtype=np.float64)
                theta = self.moved(noise)
                proposed = None if theta is None else self.fit.optimum.likelihood.at(theta)
                if proposed is None:
                    continue
                other = float(noise @ noise - proposed.criterion) / 2
                if self.unstructured or np.log(rng.random()) < other - weight:
                    here, weight = proposed, other
            yield here

    def moved(self, noise: Floats) -> Floats | None:
        """Give the parameters, as the likelihood takes them, that a standard normal vector stands for.

        None where the vector leads to the mirror image of other parameters, a standard deviation below 0.
        """
        step = self.root @ noise
        if not self.unstructured:
            phi = self.phi + step
            theta: Floats = self.covariance.theta(phi)
            back = self.covariance.phi(theta)
            return theta if np.allclose(back, phi, rtol=1e-3, atol=1e-3) else None
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
