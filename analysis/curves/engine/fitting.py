"""From data and a formula to the optimum: the steps of a fit, and the record of how it went."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.counted import counted
from analysis.curves.covariances.covariance import Covariance
from analysis.curves.covariances.residual_base import Array, VisitGrid
from analysis.curves.covariances.residual_structures import STRUCTURES, Residual
from analysis.curves.engine.boundary import Settled, settle
from analysis.curves.engine.likelihood import Likelihood, Method
from analysis.curves.engine.model_checks import check_identified, check_size, check_structure
from analysis.curves.engine.optimiser import Optimum, optimise
from analysis.curves.engine.robust import patient_sandwich
from analysis.curves.engine.small_sample import Inference, Information, SmallSample, infer
from analysis.curves.engine.working_basis import WorkingBasis, working_basis
from analysis.curves.formula.design import Design, design_from_moments, design_from_rows
from analysis.curves.formula.patient_terms import PatientTerms, patient_terms
from analysis.curves.rows.moments import VisitMoments
from analysis.curves.rows.visit_rows import VisitRows
from analysis.errors import BoundaryWarning, ConvergenceWarning, DesignWarning, InferenceWarning, KneecurveWarning


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
    intervals : bool
        Whether standard errors and degrees of freedom could be computed; where not, a note says why.
    """

    converged: bool
    evaluations: int
    boundary: bool
    decrement: float
    notes: tuple[str, ...]
    tried: tuple[str, ...]
    intervals: bool


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
    """Fit the model and give the parts of a MixedModel; the parameters are those of ``fit_mixed``.

    The way is rows, design, moments, covariance, basis, optimum, inference, result.
    """
    rows: VisitRows | None = None
    if isinstance(data, VisitMoments):
        moments, design = data, design_from_moments(data, fixed)
    else:
        design, rows, moments = design_from_rows(data, fixed, patient=patient, week=week)
    terms = patient_terms(design, patient_effects, correlated=correlated)
    check_structure(design, moments, terms, residual, rows, correlated=correlated)
    covariance = build_covariance(design, terms, moments.distinct_weeks, moments.weeks, residual, correlated=correlated)
    check_size(design, moments, covariance)
    basis = working_basis(design, moments)
    likelihood = Likelihood(basis, covariance, method)
    check_identified(likelihood, design, terms, residual, patient_effects)
    optimum = optimise(likelihood)
    settled = settle(optimum, terms)
    sandwich = patient_sandwich(design, moments, rows, basis, settled.evaluation) if inference == "robust" else None
    small_sample, of_inference = infer(settled.free, settled.active, inference, information, sandwich)
    notes = [*_left_out(moments, basis), *settled.notes, *of_inference]
    if not optimum.converged:
        notes.append("The optimiser did not reach the optimum: do not use these numbers.")
    elif small_sample.trouble:
        notes.append(f"No intervals and no p values: {small_sample.trouble}.")
    _warn(basis, optimum, settled, small_sample, residual)
    return {
        "design": design,
        "terms": terms,
        "moments": moments,
        "rows": rows,
        "basis": basis,
        "optimum": settled.evaluation,
        "small_sample": small_sample,
        "residual": residual,
        "method": method,
        "inference": small_sample.inference,
        "information": information,
        "record": FitRecord(
            optimum.converged,
            optimum.evaluations,
            settled.at_boundary,
            optimum.decrement,
            tuple(notes),
            optimum.tried,
            not small_sample.trouble,
        ),
    }


def _left_out(moments: VisitMoments, basis: WorkingBasis) -> list[str]:
    """Say which rows and columns the fit does without."""
    notes = []
    if moments.dropped:
        notes.append(f"{moments.dropped} rows with a missing value were left out.")
    if moments.left_out:
        notes.append(
            f"{counted(moments.left_out, 'patient')} with a rare pattern of visits or a rare level within one were left out beforehand, "
            "which can move the estimates."
        )
    if basis.dropped:
        notes.append(f"Columns that earlier ones explain were dropped: {', '.join(basis.dropped)}.")
    return notes


def _warn(
    basis: WorkingBasis, optimum: Optimum, settled: Settled, small_sample: SmallSample, residual: Residual
) -> None:
    """Warn of what a user must know before the numbers are used; the place named is that of the call of ``fit_mixed``."""
    found: list[KneecurveWarning] = []
    if basis.dropped:
        found.append(
            DesignWarning(
                f"The data cannot tell {', '.join(basis.dropped)} from earlier columns; dropped. Means that need "
                "them are given only where they can be estimated."
            )
        )
    if not optimum.converged:
        found.append(ConvergenceWarning(_why_not(optimum, residual)))
    if settled.at_boundary:
        found.append(BoundaryWarning(" ".join(settled.notes)))
    if optimum.converged and small_sample.trouble:
        advice = "Use a simpler covariance, or inference='robust'."
        if small_sample.inference == "robust":
            advice = "Use inference='satterthwaite', or leave that covariate or patient out."
        found.append(InferenceWarning(f"No intervals and no p values: {small_sample.trouble}. {advice}"))
    for warning in found:
        warnings.warn(warning, stacklevel=4)


def _why_not(optimum: Optimum, residual: Residual) -> str:
    covariance = optimum.evaluation.likelihood.covariance
    skip = covariance.n_effects_parameters
    if residual == "unstructured":
        return (
            "The fit did not converge: too few patients were seen at the same weeks for an unstructured covariance, so the "
            "likelihood has no maximum inside. Try residual='toeplitz' or 'ar1-by-week'."
        )
    if residual in {"toeplitz", "compound-symmetry"}:
        return (
            "The fit did not converge: the likelihood grows up to where the covariance of the visits is singular (a "
            "correlation of one, or all values of a patient add up to the same). Try residual='ar1' or 'independent'."
        )
    if optimum.at_bound.any():
        names = [covariance.residual.names[place - skip] for place in np.flatnonzero(optimum.at_bound)]
        return (
            f"The fit did not converge: the likelihood grows without end as the {' and the '.join(names)} goes to its limit. "
            "Try residual='independent'."
        )
    return (
        f"The fit did not converge: one more step promised to lower the criterion by {optimum.decrement:.2g}. "
        "Try fewer patient effects (patient_effects='1') or a simpler residual structure."
    )


def build_covariance(
    design: Design, terms: PatientTerms, schedule: Array, weeks: Array, residual: Residual, *, correlated: bool
) -> Covariance:
    """Build V for slots at some weeks, shape (1 or patterns, slots); ``schedule`` is the distinct weeks of the data."""
    unit = float(np.ptp(schedule)) or 1.0
    grid = VisitGrid(np.searchsorted(schedule, weeks), weeks / unit, schedule, unit)
    Z = np.zeros((*weeks.shape, 0))
    if terms.names:
        Z = terms.columns(design.week_frame(weeks.reshape(-1))) @ terms.A
    return Covariance(Z.reshape(*weeks.shape, -1) if terms.names else Z, correlated, STRUCTURES[residual](grid))
