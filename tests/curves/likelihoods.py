"""Likelihoods of one model for each structure, and a place inside their parameters, for the tests of the curves."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.curves.engine.fitting import build_covariance
from analysis.curves.engine.likelihood import Likelihood
from analysis.curves.engine.working_basis import working_basis
from analysis.curves.formula.design import design_from_rows
from analysis.curves.formula.patient_terms import patient_terms

MODELS = [
    ("1 + week", True, "independent"),
    ("1 + week", False, "independent"),
    ("1", True, "by-week"),
    (None, True, "compound-symmetry"),
    ("1", True, "ar1"),
    (None, True, "ar1-by-week"),
    ("1", True, "exponential"),
    (None, True, "toeplitz"),
    (None, True, "unstructured"),
]


def likelihood(frame: pd.DataFrame, effects: str | None, correlated: bool, residual: str, method: str):
    design, _, moments = design_from_rows(
        frame, "value ~ protocol * week + baseline + pain", patient="patient_id", week="week"
    )
    terms = patient_terms(design, effects, correlated=correlated)
    covariance = build_covariance(design, terms, moments.distinct_weeks, moments.weeks, residual, correlated=correlated)
    return design, Likelihood(working_basis(design, moments), covariance, method)


def somewhere(model: Likelihood) -> np.ndarray:
    """A theta inside the parameter space and away from the optimum."""
    covariance = model.covariance
    start = covariance.residual.starts()[0]
    rng = np.random.default_rng(3)
    jitter = np.where(np.abs(start) > 0.5, 0.3, 0.08) * rng.uniform(0.2, 1.0, start.size)
    rows, columns = covariance.places
    return np.concatenate([np.where(rows == columns, 0.8, 0.2), start + jitter])
