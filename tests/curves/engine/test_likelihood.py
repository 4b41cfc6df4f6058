"""Criterion, gradient and information against plain matrices and finite differences."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from analysis.curves.engine.likelihood import Likelihood

from ..cohort_of_visits import visits
from ..likelihoods import MODELS, likelihood, somewhere

NO_SCHEDULE_NEEDED = {"independent", "exponential", "compound-symmetry"}


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


def test_no_value_where_V_is_not_positive_definite() -> None:
    _, model = likelihood(visits(), None, True, "compound-symmetry", "reml")
    assert model.at(np.array([1.0, 1.5])) is None
