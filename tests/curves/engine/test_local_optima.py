"""Slow: no fit called converged lies above a lower minimum that another optimiser finds from random starts."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy import optimize

from analysis.curves.covariances.covariance import Covariance
from analysis.curves.engine.likelihood import Likelihood
from analysis.curves.mixed_model import fit_mixed
from analysis.errors import KneecurveWarning, ModelError

from .random_designs import random_design

pytestmark = pytest.mark.slow

STARTS = 8
WORSE = 1e-3


def random_theta(covariance: Covariance, rng: np.random.Generator) -> np.ndarray:
    """Draw parameters far and wide: variances over three orders of magnitude, correlations of either sign."""
    rows, columns = covariance.places
    root = rng.normal(size=(covariance.effects, covariance.effects + 1)) * rng.choice([0.1, 1.0, 2.0])
    theta = list((root @ root.T)[rows, columns])
    residual = covariance.residual
    starts = [*residual.starts(), *residual.distant_starts()]
    own = np.array(starts[rng.integers(len(starts))], dtype=float)
    for place, link in enumerate(residual.links):
        if link in {"log", "log range"}:
            own[place] = np.exp(rng.normal(0.0, 1.5))
        elif link == "atanh":
            own[place] = np.tanh(rng.normal())
    if "cholesky" in residual.links:
        order = int(np.sqrt(2 * len(own)))
        root = rng.normal(size=(order, order + 2))
        own = (root @ root.T / (order + 2))[np.tril_indices(order)]
    return np.array([*theta, *own])


def lowest(likelihood: Likelihood, rng: np.random.Generator) -> float:
    """Give the lowest criterion that a quasi-Newton method of SciPy reaches from several starts."""
    covariance = likelihood.covariance
    low, high = covariance.bounds()

    def criterion(phi: np.ndarray) -> tuple[float, np.ndarray]:
        try:
            here = likelihood.at(covariance.theta(phi))
        except np.linalg.LinAlgError:  # far away, where V overflows
            here = None
        if here is None or np.abs(here.N).max() > 1e7:  # a singular V: numbers without a digit
            return 1e10, np.zeros_like(phi)
        return here.criterion, covariance.jacobian(phi).T @ here.gradient

    found = [np.inf]
    for _ in range(STARTS):
        phi = np.clip(covariance.phi(random_theta(covariance, rng)), low, high)
        if criterion(phi)[0] < 1e10:
            bounds = list(zip(np.maximum(low, -30), np.minimum(high, 30), strict=True))
            found.append(optimize.minimize(criterion, phi, jac=True, method="L-BFGS-B", bounds=bounds).fun)
    return min(found)


def test_no_local_minimum_in_five_hundred_designs() -> None:
    """500 designs of 8 to 60 patients, all structures; eight random starts each."""
    worse, compared, seed = [], 0, 20_000
    while compared < 500:
        seed += 1
        design = random_design(seed)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", KneecurveWarning)
            try:
                fit = fit_mixed(design.frame, design.formula, **design.options)
            except ModelError:
                continue
        if not fit.converged:
            continue
        compared += 1
        below = fit.criterion - lowest(fit.optimum.likelihood, np.random.default_rng(seed))
        if below > WORSE:
            worse.append((seed, design.options["patient_effects"], design.options["residual"], round(below, 4)))
    assert worse == []
