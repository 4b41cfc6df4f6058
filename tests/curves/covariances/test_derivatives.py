"""Every covariance structure: links and factor have their derivatives, by finite differences."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ..cohort_of_visits import visits
from ..likelihoods import MODELS, likelihood, somewhere


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
