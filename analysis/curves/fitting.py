"""From data and a formula to the optimum: the steps of a fit, and the record of how it went."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.curves.covariance import Covariance
from analysis.curves.design import Design, design_from_moments, design_from_rows
from analysis.curves.likelihood import Evaluation, Likelihood, Method
from analysis.curves.model_checks import check_outcome, check_size, check_structure
from analysis.curves.moments import VisitMoments
from analysis.curves.optimiser import Optimum, optimise
from analysis.curves.patient_terms import PatientTerms, patient_terms
from analysis.curves.residual_structures import STRUCTURES, Array, Residual, VisitGrid
from analysis.curves.robust import patient_sandwich
from analysis.curves.small_sample import Inference, Information, SmallSample
from analysis.curves.working_basis import working_basis
from analysis.errors import BoundaryWarning, ConvergenceWarning, DesignWarning

_ZERO_VARIANCE = 1e-7
"""A patient effect whose variance is below this share of the residual variance counts as zero."""


@dataclass(frozen=True)
class FitRecord:
    """How a fit went.

    Parameters
    ----------
    converged : bool
        Whether the optimum was reached; a variance at zero is an optimum too.
    evaluations : int
        How often the likelihood was computed.
    boundary : bool
        Whether a variance is at zero, or a correlation at one.
    decrement : float
        The further decrease of the criterion that one more Newton step promised at the last check.
    notes : tuple of str
        What a reader of the result should know.
    tried : tuple of str
        What the optimiser did.
    """

    converged: bool
    evaluations: int
    boundary: bool
    decrement: float
    notes: tuple[str, ...]
    tried: tuple[str, ...]


def fit_parts(
    data: pd.DataFrame | VisitMoments,
    fixed: str,
    *,
    patient: str,
    week: str,
    patient_effects: str | None,
    correlated: bool,
    residual: Residual,
    method: Method,
    inference: Inference,
    information: Information,
) -> dict[str, Any]:
    """Fit the model and give the parts of a MixedModel; the parameters are those of ``fit_mixed``."""
    if isinstance(data, VisitMoments):
        rows = None
        moments = data
        design = design_from_moments(moments, fixed)
    else:
        design, rows, moments = design_from_rows(data, fixed, patient=patient, week=week)
    notes: list[str] = []
    if moments.dropped:
        notes.append(f"{moments.dropped} rows with a missing value were left out.")
    terms = patient_terms(design, patient_effects, correlated=correlated)
    check_structure(design, moments, terms, residual, rows, correlated=correlated)
    covariance = build_covariance(design, terms, moments.distinct_weeks, moments.weeks, residual, correlated=correlated)
    check_size(design, moments, covariance)
    basis = working_basis(design, moments)
    check_outcome(moments, basis.scale)
    if basis.dropped:
        notes.append(f"Columns that earlier ones explain were dropped: {', '.join(basis.dropped)}.")
        warnings.warn(
            DesignWarning(
                f"The data cannot tell {', '.join(basis.dropped)} from earlier columns; dropped. Means that need "
                "them are given only where they can be estimated."
            ),
            stacklevel=3,
        )
    likelihood = Likelihood(basis, covariance, method)
    optimum = optimise(likelihood)
    evaluation, active, boundary = _at_boundary(optimum, terms, notes)
    if method == "ml" and inference in {"kenward-roger", "kenward-roger-linear"}:
        inference = "satterthwaite"
        notes.append("Kenward-Roger is a method for REML; under maximum likelihood the inference is Satterthwaite's.")
    sandwich = None
    if inference == "robust":
        sandwich = patient_sandwich(design, moments, rows, basis, evaluation)
    small_sample = _small_sample(evaluation, active, inference, information, sandwich)
    if not optimum.converged:
        notes.append("The optimiser did not reach the optimum: do not use these numbers.")
        warnings.warn(
            ConvergenceWarning(
                f"The fit did not converge: one more step promised to lower the criterion by {optimum.decrement:.2g}. "
                "Try fewer patient effects (patient_effects='1') or a simpler residual structure."
            ),
            stacklevel=3,
        )
    if boundary:
        warnings.warn(BoundaryWarning(next(note for note in notes if "boundary" in note)), stacklevel=3)
    return {
        "design": design,
        "terms": terms,
        "moments": moments,
        "rows": rows,
        "basis": basis,
        "optimum": evaluation,
        "small_sample": small_sample,
        "residual": residual,
        "method": method,
        "inference": inference,
        "information": information,
        "record": FitRecord(
            optimum.converged, optimum.evaluations, boundary, optimum.decrement, tuple(notes), optimum.tried
        ),
    }


def build_covariance(
    design: Design, terms: PatientTerms, schedule: Array, weeks: Array, residual: Residual, *, correlated: bool
) -> Covariance:
    """Build V for some slots.

    Parameters
    ----------
    design, terms, residual, correlated
        The model.
    schedule : ndarray
        The distinct weeks of the data.
    weeks : ndarray, shape (1 or patterns, slots)
        The week of each slot.

    Returns
    -------
    Covariance
    """
    unit = float(np.ptp(schedule)) or 1.0
    grid = VisitGrid(np.searchsorted(schedule, weeks), weeks / unit, schedule, unit)
    Z = np.zeros((*weeks.shape, 0))
    if terms.names:
        Z = terms.columns(design.week_frame(weeks.reshape(-1))) @ terms.A
    return Covariance(Z.reshape(*weeks.shape, -1) if terms.names else Z, correlated, STRUCTURES[residual](grid))


def _at_boundary(optimum: Optimum, terms: PatientTerms, notes: list[str]) -> tuple[Evaluation, np.ndarray, bool]:
    """Put variances that vanish at zero exactly; list the parameters that stay free."""
    evaluation = optimum.evaluation
    covariance = evaluation.likelihood.covariance
    skip = covariance.n_effects_parameters
    active = np.ones(covariance.size, dtype=bool)
    active[optimum.at_bound] = False
    boundary = bool(optimum.at_bound.any())
    if boundary:
        names = [covariance.residual.names[k - skip] for k in np.flatnonzero(optimum.at_bound) if k >= skip]
        notes.append(f"At the boundary of its range: {', '.join(names)}; held there for standard errors.")
    if covariance.effects:
        D = covariance.effects_matrix(evaluation.theta)
        values, vectors = np.linalg.eigh(D)
        rank = int((values > _ZERO_VARIANCE).sum())
        if rank < covariance.effects:
            boundary = True
            whole = (vectors[:, values > _ZERO_VARIANCE] * values[values > _ZERO_VARIANCE]) @ vectors[
                :, values > _ZERO_VARIANCE
            ].T
            theta = evaluation.theta.copy()
            rows, columns = covariance.places
            theta[:skip] = whole[rows, columns]
            snapped = evaluation.likelihood.at(theta)
            if snapped is not None and snapped.criterion <= evaluation.criterion + 1e-6:
                evaluation = snapped
            notes.append(_singular_note(covariance, terms, whole))
    return evaluation, active, boundary


def _singular_note(covariance: Covariance, terms: PatientTerms, D: np.ndarray) -> str:
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


def _small_sample(
    evaluation: Evaluation,
    active: np.ndarray,
    inference: Inference,
    information: Information,
    sandwich: tuple[Array, float] | None,
) -> SmallSample:
    """Set up inference; at a singular D on the effects that remain."""
    likelihood = evaluation.likelihood
    covariance = likelihood.covariance
    skip = covariance.n_effects_parameters
    if covariance.effects:
        values, vectors = np.linalg.eigh(covariance.effects_matrix(evaluation.theta))
        remain = values > _ZERO_VARIANCE
        if not remain.all():
            Z = covariance.Z @ vectors[:, remain]
            reduced = Covariance(Z, covariance.correlated, covariance.residual)
            rows, columns = reduced.places
            theta = np.concatenate([np.diag(values[remain])[rows, columns], evaluation.theta[skip:]])
            smaller = Likelihood(likelihood.basis, reduced, likelihood.method).at(theta)
            if smaller is not None:
                evaluation = smaller
                active = np.concatenate([np.ones(len(rows), dtype=bool), active[skip:]])
    return SmallSample(evaluation, np.flatnonzero(active), inference, information, sandwich)
