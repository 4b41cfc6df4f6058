"""Chances of true values: against draws of both, and what the model makes of a measure with a best value."""

import warnings

import numpy as np
import pytest

from analysis.cohort import Cohort
from analysis.errors import DistributionWarning, ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.true_response.probability_of_response import probability_of_response
from analysis.outcomes.true_response.reaching import AtLeast, Nearer, Within
from analysis.statistics.calibration import calibration_table

from ..trial_with_error import trial

MEANS = [(-8.0, -3.0), (-8.0, 7.0), (2.0, 1.0), (-1.0, 0.0), (6.0, -1.0)]
SPREADS = [((9.0, 4.0), (4.0, 6.0)), ((4.0, -1.0), (-1.0, 1.0)), ((16.0, 0.0), (0.0, 0.01))]


@pytest.mark.parametrize("covariance", SPREADS)
@pytest.mark.parametrize(("ideal", "threshold"), [(0.0, 3.0), (-2.0, 1.0), (0.0, -2.0)])
def test_nearness_is_that_of_values_drawn_one_by_one(covariance, ideal, threshold):
    rng = np.random.default_rng(1)
    reach = Nearer(np.eye(2), ideal, threshold)
    means = np.array(MEANS)
    often = np.tile(means, (4000, 1))
    spreads = np.broadcast_to(covariance, (len(often), 2, 2))
    mine = [one.reshape(4000, len(means)).mean(axis=0) for one in reach.judge(often, spreads, rng)]
    drawn = means + rng.multivariate_normal([0, 0], covariance, (200_000, 1))
    nearer = np.abs(drawn[..., 0] - ideal) - np.abs(drawn[..., 1] - ideal)
    theirs = nearer.mean(axis=0), (nearer**2).mean(axis=0), (nearer >= threshold).mean(axis=0)
    np.testing.assert_allclose(mine[0], theirs[0], atol=0.04)
    np.testing.assert_allclose(mine[1], theirs[1], rtol=0.02, atol=0.04)
    np.testing.assert_allclose(mine[2], theirs[2], atol=0.008)


def test_few_draws_are_close_already():
    """A report draws some hundred times; the strata make 50 draws as good as 0.01."""
    reach, rng = Nearer(np.eye(2), 0.0, 3.0), np.random.default_rng(2)
    args = np.array(MEANS), np.broadcast_to(SPREADS[0], (len(MEANS), 2, 2))
    few, many = (np.mean([reach.judge(*args, rng)[2] for _ in range(draws)], axis=0) for draws in (50, 1000))
    np.testing.assert_allclose(few, many, atol=0.02)


@pytest.mark.parametrize("ideal", [0.0, 4.0])
def test_a_value_within_a_distance(ideal):
    rng = np.random.default_rng(3)
    mean, square, chance = Within(np.eye(1), ideal, 2.0).judge(np.array([[-3.0], [5.0]]), np.full((2, 1, 1), 4.0), rng)
    drawn = np.array([-3.0, 5.0]) + rng.normal(0, 2, (400_000, 2))
    assert mean.tolist() == [-3, 5]
    assert square.tolist() == [13, 29]
    np.testing.assert_allclose(chance, (np.abs(drawn - ideal) <= 2).mean(axis=0), atol=0.004)


def test_far_from_the_best_value_and_on_one_side_nearness_is_the_sum():
    means, spreads = np.array([(-60.0, -48.0), (-55.0, -52.0)]), np.broadcast_to(SPREADS[0], (2, 2, 2))
    rng = np.random.default_rng(4)
    linear = AtLeast(np.array([[-1.0], [1.0]]), 5.0).judge(
        means @ np.array([[-1.0], [1.0]]), np.full((2, 1, 1), 9 + 6 - 2 * 4.0), rng
    )
    near = np.mean([Nearer(np.eye(2), 0.0, 5.0).judge(means, spreads, rng) for _ in range(200)], axis=0)
    np.testing.assert_allclose(near[0], linear[0], atol=0.02)
    np.testing.assert_allclose(near[2], linear[2], atol=0.01)


def extension_trial(rng, **options):
    """The score turned into degrees of extension: from 8 lacking to about 1 beyond, with patients on both sides."""
    cohort, true = trial(rng, **options)
    visits = cohort.visits.assign(value=(cohort.visits["value"] - 60) / 2, measure="knee_extension", limb="involved")
    return Cohort(cohort.patients, visits), (true - 60) / 2


def test_calibrated_on_known_distances(rng):
    cohort, true = extension_trial(rng, n=3000, lost=0.25)
    endpoint = choose_endpoint(cohort, "knee_extension", week=26, threshold=3)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DistributionWarning)
        found = probability_of_response(cohort, endpoint, measurement_error=2, draws=5)
    nearer = np.abs(true[:, 0]) - np.abs(true[:, 2])
    table = calibration_table(found.patients["probability"], nearer >= 3)
    assert (table["share"] - table["mean_probability"]).abs().max() < 0.08  # of 300 patients a tenth
    assert found.patients["probability"].mean() == pytest.approx((nearer >= 3).mean(), abs=0.03)
    assert found.patients["expected"].mean() == pytest.approx(nearer.mean(), abs=0.25)
    assert (true[:, 2] - true[:, 0] >= 3).mean() - (nearer >= 3).mean() > 0.1  # what the rise would have said
    assert any("Distances from 0 are not normal" in note for note in found.notes)


def test_a_state_with_a_best_value_is_within_on_both_sides(rng):
    cohort, true = extension_trial(rng, n=1000, lost=0.2)
    endpoint = choose_endpoint(cohort, "knee_extension", week=26, threshold=-3, criterion="state")
    found = probability_of_response(cohort, endpoint, measurement_error=2, draws=20, free=False)
    assert found.patients["probability"].mean() == pytest.approx((np.abs(true[:, 2]) <= 3).mean(), abs=0.03)
    assert found.patients["expected"].mean() == pytest.approx(true[:, 2].mean(), abs=0.3)


def test_the_expected_value_of_a_state_is_a_value_where_lower_is_better(rng):
    cohort, true = trial(rng, n=300)
    pain = Cohort(cohort.patients, cohort.visits.assign(value=(100 - cohort.visits["value"]) / 10, measure="pain"))
    endpoint = choose_endpoint(pain, "pain", week=26, threshold=3, criterion="state")
    found = probability_of_response(pain, endpoint, measurement_error=0.4, draws=20, free=False)
    assert found.patients["expected"].mean() == pytest.approx(10 - true[:, 2].mean() / 10, abs=0.1)


def test_no_version_without_the_normal_distribution(rng):
    cohort, _ = extension_trial(rng, n=200)
    endpoint = choose_endpoint(cohort, "knee_extension", week=26, threshold=3)
    with pytest.raises(ModelError, match=r"no version without the normal distribution of a distance .*\n  where: .*\n"):
        probability_of_response(cohort, endpoint, measurement_error=2, draws=5, free=True)
    visits = cohort.visits.assign(value=-np.exp(-cohort.visits["value"] / 8))  # skewed
    skewed = Cohort(cohort.patients, visits)
    with pytest.warns(DistributionWarning) as told:
        found = probability_of_response(skewed, endpoint, measurement_error=0.3, draws=5)
    assert found.normality_rejected
    assert found.versions == ("normal",)
    assert not any("not lean on it" in str(one.message) for one in told)
