"""Optima at the boundary: variances put at zero exactly, and inference on the parameters that stay free."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.curves.covariances.covariance import Covariance, symmetric
from analysis.curves.covariances.residual_base import Array
from analysis.curves.covariances.residual_structures import Nothing
from analysis.curves.engine.likelihood import Evaluation, Likelihood
from analysis.curves.engine.optimiser import Optimum
from analysis.curves.formula.patient_terms import PatientTerms

_ZERO_VARIANCE = 1e-7
"""A variance below this share (of the residual variance of least squares, or of the largest) counts as zero."""
_NO_WORSE = 1e-6
"""A variance is put at zero where the criterion rises by no more than this, which no test and no interval shows."""


@dataclass(frozen=True, eq=False)
class Settled:
    """An optimum with what is zero at zero.

    Parameters
    ----------
    evaluation : Evaluation
        The likelihood at the estimate.
    free : Evaluation
        The same likelihood on the effects that remain: patient effects with a singular D are rewritten as fewer effects with a
        regular one, whose directions are taken as known, so that V stays linear in their covariance.
    active : ndarray of int
        The parameters of ``free`` that are not at a bound.
    notes : tuple of str
        What is at the boundary; empty inside, and where the optimum was not reached.
    """

    evaluation: Evaluation
    free: Evaluation
    active: np.ndarray
    notes: tuple[str, ...]

    @property
    def at_boundary(self) -> bool:
        """Whether anything is."""
        return bool(self.notes)


def settle(optimum: Optimum, terms: PatientTerms) -> Settled:
    """Look for variances at zero and parameters at the edge of their range; the patient effects are named in the notes."""
    evaluation = free = optimum.evaluation
    covariance = evaluation.likelihood.covariance
    skip = covariance.n_effects_parameters
    active = ~optimum.at_bound
    notes: list[str] = []
    if optimum.at_bound[skip:].any():
        notes.append(_note_on_residual(covariance, evaluation.theta, optimum.at_bound))
    if covariance.effects:
        values, vectors = np.linalg.eigh(covariance.effects_matrix(evaluation.theta))
        remain = values > _ZERO_VARIANCE
        if not remain.all():
            D = (vectors[:, remain] * values[remain]) @ vectors[:, remain].T
            evaluation = _snap(evaluation, D)
            notes.append(_note_on_effects(covariance, terms, D))
            reduced = Covariance(covariance.Z @ vectors[:, remain], covariance.correlated, covariance.residual)
            rows, columns = reduced.places
            theta = np.concatenate([np.diag(values[remain])[rows, columns], evaluation.theta[skip:]])
            free = _at(evaluation, reduced, theta)
            if free is not evaluation:
                active = np.concatenate([np.ones(len(rows), dtype=bool), active[skip:]])
    if "cholesky" in covariance.residual.links and optimum.converged:
        weeks = covariance.residual.grid.weeks.size
        values, vectors = np.linalg.eigh(symmetric(evaluation.theta, skip, weeks))
        remain = values > _ZERO_VARIANCE * values.max()
        if not remain.all():
            notes.append(_NOTE_ON_UNSTRUCTURED)
            reduced = Covariance(vectors[:, remain][None], True, Nothing(covariance.residual.grid))
            rows, columns = reduced.places
            free = _at(evaluation, reduced, np.diag(values[remain])[rows, columns])
            if free is not evaluation:
                active = np.ones(len(rows), dtype=bool)
    return Settled(evaluation, free, np.flatnonzero(active), tuple(notes) if optimum.converged else ())


_NOTE_ON_UNSTRUCTURED = (
    "The fit is at the boundary: the unstructured covariance is singular, because too few patients were seen at the same "
    "weeks. Standard errors take its null direction as known. A simpler model to try: residual='ar1-by-week' or 'toeplitz'."
)


def _at(evaluation: Evaluation, covariance: Covariance, theta: Array) -> Evaluation:
    likelihood = evaluation.likelihood
    return Likelihood(likelihood.basis, covariance, likelihood.method).at(theta) or evaluation


def _snap(evaluation: Evaluation, D: Array) -> Evaluation:
    """Put D where its variances are exactly zero, if that is no worse."""
    covariance = evaluation.likelihood.covariance
    theta = evaluation.theta.copy()
    theta[: covariance.n_effects_parameters] = D[covariance.places]
    snapped = evaluation.likelihood.at(theta)
    return snapped if snapped is not None and snapped.criterion <= evaluation.criterion + _NO_WORSE else evaluation


def _note_on_residual(covariance: Covariance, theta: Array, at_bound: np.ndarray) -> str:
    """Name the residual parameters that are held at a limit of their range, and the limit."""
    skip = covariance.n_effects_parameters
    what = []
    for place in np.flatnonzero(at_bound[skip:]):
        name, link = covariance.residual.names[place], covariance.residual.links[place]
        if link == "log":
            limit = "zero"
        elif link == "atanh":
            limit = "one" if theta[skip + place] > 0.0 else "minus one"
        else:
            limit = "without end" if theta[skip + place] > 1.0 else "zero: no correlation is left between visits"
        what.append(f"the {name} is estimated at {limit}" if limit != "without end" else f"the {name} is without end")
    return (
        f"The fit is at the boundary: {'; '.join(what)}. The likelihood is right; standard errors take this as known. "
        "A simpler model to try: residual='independent'."
    )


def _note_on_effects(covariance: Covariance, terms: PatientTerms, D: Array) -> str:
    simpler = "patient_effects='1'" if covariance.effects > 1 else "patient_effects=None"
    if not D.any():
        what = f"the variance of {' and '.join(terms.names)} is estimated at zero"
    elif not covariance.correlated:
        zero = [name for name, variance in zip(terms.names, np.diag(D), strict=True) if variance == 0.0]
        what = f"the variance of {' and '.join(zero)} is estimated at zero"
    else:
        what = f"the patient effects {', '.join(terms.names)} are perfectly correlated or one does not vary"
    return (
        f"The fit is at the boundary: {what}. The likelihood is right; standard errors take the zero as known. "
        f"A simpler model to try: {simpler}."
    )
