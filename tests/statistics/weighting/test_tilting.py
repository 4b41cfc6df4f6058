"""Targets and weights: what each promises, and derivatives beside finite differences."""

import numpy as np
import pytest

from analysis.statistics.weighting.multinomial_scores import fit_group_scores, group_chances
from analysis.statistics.weighting.tilting import largest_tilt, slopes_of_logs, tilt, weights_of

from .groups import invented

TARGETS = ["everybody", "overlap", "matching", 0, 1]


@pytest.mark.parametrize("groups", [2, 3, 4])
def test_overlap_weights_make_the_means_of_two_groups_equal(groups):
    covariates, codes, _ = invented(400, groups, seed=2)
    scores = fit_group_scores(covariates, codes, groups)
    weights = weights_of(tilt(scores.chances, "overlap"), scores.chances, codes)
    means = np.array([np.average(covariates[codes == k], axis=0, weights=weights[codes == k]) for k in range(groups)])
    apart = np.abs(means - means[0]).max()
    assert apart < (1e-9 if groups == 2 else 0.15)


@pytest.mark.parametrize("groups", [2, 3])
def test_weights_of_one_group_leave_that_group_as_it_is(groups):
    covariates, codes, _ = invented(300, groups, seed=3)
    scores = fit_group_scores(covariates, codes, groups)
    for k in range(groups):
        weights = weights_of(tilt(scores.chances, k), scores.chances, codes)
        assert weights[codes == k] == pytest.approx(np.ones((codes == k).sum()))


@pytest.mark.parametrize("groups", [2, 3, 5])
@pytest.mark.parametrize("target", ["overlap", "matching"])
def test_equal_chances_have_the_largest_tilt(groups, target):
    chances = np.random.default_rng(1).dirichlet(np.ones(groups), 500)
    assert tilt(chances, target).max() <= largest_tilt(target, groups)
    assert largest_tilt("overlap", groups) == pytest.approx(1 / groups**2)
    assert largest_tilt("everybody", groups) == 1.0


@pytest.mark.parametrize("groups", [2, 3, 4])
@pytest.mark.parametrize("target", TARGETS)
def test_derivatives_by_the_logits(groups, target):
    rng = np.random.default_rng(5)
    logits, codes = rng.normal(size=(30, groups - 1)), rng.integers(0, groups, 30)

    def logs(at):
        chances = group_chances(at)
        amount = tilt(chances, target)
        return np.log(amount), np.log(weights_of(amount, chances, codes))

    found = slopes_of_logs(group_chances(logits), target, codes)
    for k in range(groups - 1):
        step = 1e-6 * np.eye(groups - 1)[k]
        for slope, above, below in zip(found, logs(logits + step), logs(logits - step), strict=True):
            assert slope[:, k] == pytest.approx((above - below) / 2e-6, abs=1e-8)
