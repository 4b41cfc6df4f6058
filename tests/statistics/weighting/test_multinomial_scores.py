"""Scores beside statsmodels, in any units; what has no maximum is refused."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import ModelError
from analysis.statistics.weighting.multinomial_scores import fit_group_scores

from .groups import invented


@pytest.mark.parametrize("groups", [2, 3, 4])
def test_coefficients_and_errors_are_those_of_statsmodels(groups):
    """statsmodels.discrete.discrete_model.MNLogit, Newton."""
    covariates, codes, _ = invented(300, groups, seed=groups)
    covariates = covariates * [1000.0, 0.01] + [50.0, 3.0]
    other = sm.MNLogit(codes, sm.add_constant(covariates)).fit(disp=0, method="newton", maxiter=100)
    coefficients, errors = fit_group_scores(covariates, codes, groups).in_given_units()
    assert coefficients == pytest.approx(other.params, rel=1e-7)
    assert errors == pytest.approx(np.asarray(other.bse).reshape(errors.shape), rel=1e-5)


@settings(max_examples=20, deadline=None)
@given(st.integers(2, 4), st.integers(0, 1000), st.floats(0.001, 1000.0), st.floats(-100, 100))
def test_scores_do_not_depend_on_units_or_on_the_order_of_groups(groups, seed, unit, shift):
    covariates, codes, _ = invented(200, groups, seed)
    here = fit_group_scores(covariates, codes, groups).chances
    there = fit_group_scores(covariates * unit + shift, groups - 1 - codes, groups).chances
    assert there[:, ::-1] == pytest.approx(here, abs=1e-6)
    assert here.sum(axis=1) == pytest.approx(np.ones(len(codes)))


@pytest.mark.parametrize("groups", [2, 3])
def test_the_mean_score_is_the_share_of_the_group(groups):
    covariates, codes, _ = invented(150, groups, seed=9)
    scores = fit_group_scores(covariates, codes, groups)
    assert scores.chances.mean(axis=0) == pytest.approx(np.bincount(codes) / len(codes))
    assert scores.parts.sum(axis=0) == pytest.approx(np.zeros(scores.parts.shape[1]), abs=1e-8)
    assert np.linalg.inv(np.einsum("isp,ist,itq->pq", scores.rows, scores.spreads, scores.rows)) == pytest.approx(
        scores.inverse
    )


def test_groups_that_a_covariate_tells_apart_are_refused():
    value = np.arange(40.0)
    with pytest.raises(ModelError, match="for certain which protocol"):
        fit_group_scores(value[:, None], value >= 20, 2)
    with pytest.raises(ModelError, match="Name fewer covariates"):
        fit_group_scores((value % 3 == 0)[:, None] * 1.0, np.where(value % 3 == 0, 2, value % 2).astype(int), 3)
