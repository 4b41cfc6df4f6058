"""Criterion, gradient and information against plain matrices and finite differences."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from cohort_of_visits import visits
from numpy.testing import assert_allclose

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
NO_SCHEDULE_NEEDED = {"independent", "exponential", "compound-symmetry"}


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


def dense_criterion(design, model: Likelihood, frame: pd.DataFrame, theta: np.ndarray) -> float:
    """The criterion from whole matrices, patient by patient, in the units of the data."""
    basis = model.basis
    X, y = design.matrix(frame), frame["value"].to_numpy()
    A, b, yy, log_det = np.zeros((X.shape[1],) * 2), np.zeros(X.shape[1]), 0.0, 0.0
    V_all = model.covariance.matrix(theta)[0] * basis.scale**2
    weeks = np.unique(frame["week"])
    for _, own in frame.groupby("patient_id"):
        place = np.searchsorted(weeks, own["week"])
        V = V_all[np.ix_(place, place)]
        N = np.linalg.inv(V)
        Xi, yi = X[own.index], y[own.index]
        A += Xi.T @ N @ Xi
        b += Xi.T @ N @ yi
        yy += yi @ N @ yi
        log_det += np.linalg.slogdet(V)[1]
    quadratic = yy - b @ np.linalg.solve(A, b)
    if model.method == "ml":
        return log_det + quadratic + len(y) * np.log(2 * np.pi)
    return log_det + quadratic + np.linalg.slogdet(A)[1] + (len(y) - X.shape[1]) * np.log(2 * np.pi)


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize(("effects", "correlated", "residual"), MODELS)
def test_criterion_is_that_of_whole_matrices(effects, correlated, residual, method) -> None:
    frame = visits()
    design, model = likelihood(frame, effects, correlated, residual, method)
    theta = somewhere(model)
    assert_allclose(model.at(theta).criterion, dense_criterion(design, model, frame, theta), rtol=1e-11)


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize(
    ("effects", "correlated", "residual", "unscheduled"),
    [(*model, False) for model in MODELS] + [(*model, True) for model in MODELS if model[-1] in NO_SCHEDULE_NEEDED],
)
def test_gradient_and_observed_information_are_derivatives(effects, correlated, residual, method, unscheduled) -> None:
    frame = visits(unscheduled=unscheduled)
    _, model = likelihood(frame, effects, correlated, residual, method)
    theta = somewhere(model)
    here = model.at(theta)
    step = 1e-5
    for k in range(theta.size):
        there, back = theta.copy(), theta.copy()
        there[k] += step
        back[k] -= step
        up, down = model.at(there), model.at(back)
        assert_allclose(here.gradient[k], (up.criterion - down.criterion) / (2 * step), rtol=2e-5, atol=1e-4)
        slope = (up.gradient - down.gradient) / (2 * step)
        scale = np.abs(here.observed).max()
        assert_allclose(2 * here.observed[k], slope, rtol=2e-5, atol=1e-7 * scale)


@pytest.mark.parametrize(("effects", "correlated", "residual"), MODELS)
def test_links_and_factor_have_their_derivatives(effects, correlated, residual) -> None:
    _, model = likelihood(visits(), effects, correlated, residual, "reml")
    covariance = model.covariance
    phi = covariance.phi(somewhere(model))
    weights = np.random.default_rng(5).normal(size=phi.size)
    step = 1e-6
    for k in range(phi.size):
        there, back = phi.copy(), phi.copy()
        there[k] += step
        back[k] -= step
        assert_allclose(
            covariance.jacobian(phi)[:, k], (covariance.theta(there) - covariance.theta(back)) / (2 * step), atol=1e-7
        )
        bend = weights @ (covariance.jacobian(there) - covariance.jacobian(back)) / (2 * step)
        assert_allclose(covariance.curvature(phi, weights)[k], bend, atol=1e-6)


def test_no_value_where_V_is_not_positive_definite() -> None:
    _, model = likelihood(visits(), None, True, "compound-symmetry", "reml")
    assert model.at(np.array([1.0, 1.5])) is None
