"""Slow: the version of the probability of response without a normal distribution is calibrated where patients are not
normal, the normal model is not, and where the visits cannot tell, the result says so."""

import warnings

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from analysis.cohort import Cohort
from analysis.errors import DistributionWarning
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.true_response.probability_of_response import probability_of_response

pytestmark = pytest.mark.slow

PATIENTS = 8000
#: Weeks of a trial, and the share of the change that is reached at each.
TRIAL = (np.array([0.0, 2, 6, 12, 26, 39, 52]), np.array([0, 0.1, 0.35, 0.6, 0.85, 0.95, 1.0]))
ONE_VISIT = (np.array([0.0, 52]), np.array([0, 1.0]))
#: Standard deviations: level of the patients, change, what a knee varies by from visit to visit. Means: level, change.
LEVEL, CHANGE, VISIT, MEAN, GAIN = 8.0, 14.0, 1.0, 40.0, 25.0


def normal(rng, shape):
    return rng.standard_normal(shape)


def heavy(rng, shape):
    """Student's t with 4 degrees of freedom."""
    return rng.standard_t(4, shape) / 2**0.5


def skewed(rng, shape):
    """A gamma of shape 2: skewness 1.4."""
    return (rng.gamma(2.0, 1.0, shape) - 2) / 2**0.5


def two_kinds(rng, shape):
    """30 and 70 %, 3 of their standard deviations apart."""
    values = np.where(rng.random(shape) < 0.3, 0.0, 3.0) + rng.standard_normal(shape)
    return (values - 2.1) / (1 + 9 * 0.21) ** 0.5


def drawn(seed, design, change, error, sd):
    """A cohort of two protocols; what was seen, and the true changes, which are ``change`` but for the knee's variation."""
    rng = np.random.default_rng(seed)
    return observed(rng, design, rng.standard_normal((PATIENTS, 1)), change(rng, PATIENTS)[:, None], error, sd)


def observed(rng, design, level, change, error, sd):
    """The cohort, deviations, true changes and expected changes of patients with these standardised levels and changes."""
    weeks, gained = design
    protocol = np.resize(["usual", "early"], PATIENTS)
    mean = np.tile(MEAN + GAIN * gained, (PATIENTS, 1))
    true = mean + LEVEL * level + CHANGE * change * gained
    true = true + VISIT * rng.standard_normal(true.shape)
    seen = true + sd * error(rng, true.shape)
    seen[:, 1:][rng.random((PATIENTS, len(weeks) - 1)) < 0.15] = np.nan
    names = np.array([f"P{k:05d}" for k in range(PATIENTS)])
    visits = pd.DataFrame({"patient_id": np.repeat(names, len(weeks)), "week": np.tile(weeks, PATIENTS)})
    visits = visits.assign(measure="ikdc", limb="none", value=seen.ravel()).dropna()
    cohort = Cohort(pd.DataFrame({"patient_id": names, "protocol": protocol}), visits)
    return cohort, seen - mean, true[:, -1] - true[:, 0], mean[:, -1] - mean[:, 0]


def true_chance(deviation, gain, gained, change, sd, threshold):
    """P(true change >= threshold | visits) under the truth: a sum over 500 equally likely values of the standardised
    change, given which all is normal. This is what the outcomes scatter about, so that no chance of 0 or 1 enters."""
    m = len(gained)
    values = np.sort(change(np.random.default_rng(99), 400_000)).reshape(500, 800).mean(axis=1)
    contrast = np.r_[-1.0, np.zeros(m - 2), 1.0]
    true = LEVEL**2 + VISIT**2 * np.eye(m)
    chance = np.empty(len(deviation))
    known = np.isfinite(deviation)
    for seen in np.unique(known, axis=0):
        rows = (known == seen).all(axis=1)
        y, g = deviation[np.ix_(rows, seen)], CHANGE * gained[seen]
        inverse = np.linalg.inv(true[np.ix_(seen, seen)] + sd**2 * np.eye(seen.sum()))
        log = np.outer(y @ inverse @ g, values) - (g @ inverse @ g) * values**2 / 2
        weight = np.exp(log - log.max(axis=1, keepdims=True))
        pull = inverse @ true[seen] @ contrast
        mean = (gain[rows] + y @ pull)[:, None] + values * (CHANGE - g @ pull)
        spread = (contrast @ true @ contrast - contrast @ true[:, seen] @ pull) ** 0.5
        chance[rows] = (weight * norm.sf(threshold, mean, spread)).sum(axis=1) / weight.sum(axis=1)
    return chance


def tenths(probability, truth):
    """Percentage points by which the truth is above the probability, in ten equal groups by probability."""
    chance = probability.to_numpy()
    groups = np.array_split(np.argsort(chance, kind="stable"), 10)
    return 100 * np.array([truth[one].mean() - chance[one].mean() for one in groups])


def measured(seed, design, change, error, sd, threshold):
    cohort, deviation, outcome, gain = drawn(seed, design, change, error, sd)
    with pytest.warns(DistributionWarning, match="Normality is rejected"):
        found = probability_of_response(
            cohort,
            choose_endpoint(cohort, "ikdc", week=52, threshold=threshold),
            measurement_error=sd,
            draws=20,
            seed=seed,
        )
    assert found.versions == ("normal", "free")
    known = error is normal
    truth = true_chance(deviation, gain, design[1], change, sd, threshold) if known else outcome >= threshold
    return found, [tenths(found.patients[name], truth) for name in ("probability", "free_probability")]


@pytest.mark.parametrize(
    ("change", "error", "threshold"),
    [(heavy, 8.0, 15.0), (skewed, 8.0, 30.0), (two_kinds, 4.0, 10.0), (skewed, 4.0, 10.0)],
)
def test_seven_visits_tell_the_shape_within_three_points_in_every_tenth(change, error, threshold):
    """Each tenth's mean probability against its mean true chance, averaged over three seeds: outcomes would add a
    standard error of 1.5 points, and the patients drawn add some, as the shape is estimated from them; so one cohort may
    be off by more. The error is what the catalogue gives for this score, 4, or 8 where with 4 the normal model is off by
    less than 8 points there. In the last case the threshold lies near a sharp end: no skewed change is below -1.41
    standard deviations, and it is at -1.07."""
    runs = np.array([measured(seed, TRIAL, change, normal, error, threshold)[1] for seed in (1, 2, 3)])
    by_normal, free = np.abs(runs.mean(axis=0)).max(axis=1)
    assert by_normal > 8
    assert free <= 3
    assert np.abs(runs[:, 1]).max() < 5


def test_kinds_that_differ_in_level_and_change_are_told_apart():
    """The smooth start takes change and level as independent; here those who change little start high, so that the steps
    away from it count: without them the second tenth is off by 4 to 5 points."""
    runs = []
    for seed in (1, 2):
        rng = np.random.default_rng(seed)
        low = rng.random((PATIENTS, 1)) < 0.3
        level = np.where(low, 1.4, -0.6) + 0.5 * rng.standard_normal((PATIENTS, 1))
        change = (np.where(low, -2.1, 0.9) + rng.standard_normal((PATIENTS, 1))) / (1 + 9 * 0.21) ** 0.5
        cohort, _, outcome, _ = observed(rng, TRIAL, level, change, normal, 6.0)
        with pytest.warns(DistributionWarning, match="Normality is rejected"):
            found = probability_of_response(
                cohort, choose_endpoint(cohort, "ikdc", week=52, threshold=10), measurement_error=6, draws=20, seed=seed
            )
        runs.append(tenths(found.patients["free_probability"], outcome >= 10))
    assert np.abs(np.mean(runs, axis=0)).max() < 2.5  # outcomes of two cohorts err by 1 point in a tenth


def test_intervals_hold_the_true_share_nearly_as_often_as_the_note_says(monkeypatch):
    """In 60 cohorts each they held it in 88 % (heavy tails) and 86 % (near a sharp end); of 80 intervals here 87 % have a
    standard error of 4 points, and more as two are of one cohort."""
    monkeypatch.setitem(globals(), "PATIENTS", 400)
    held = []
    for change, error, threshold in [(heavy, 8.0, 15.0), (skewed, 4.0, 10.0)]:
        for seed in range(20):
            cohort, _, outcome, _ = drawn(100 + seed, TRIAL, change, normal, error)
            endpoint = choose_endpoint(cohort, "ikdc", week=52, threshold=threshold)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", DistributionWarning)  # not rejected in every cohort
                found = probability_of_response(
                    cohort, endpoint, measurement_error=error, free=True, draws=100, seed=seed
                )
            said = " ".join(found.notes)
            assert "held the true one in 85 to 95 %" in said
            table = found.free_table.set_index("protocol")
            true = pd.Series(outcome >= threshold).groupby(cohort.patients["protocol"].to_numpy()).mean()
            held += [table.loc[name, "lower"] <= true[name] <= table.loc[name, "upper"] for name in true.index]
    assert 0.75 < np.mean(held) < 0.97


def test_the_true_chance_is_the_share_of_outcomes():
    """The yardstick itself: outcomes scatter about it with a standard error of 1.5 points at most in a tenth."""
    _, deviation, outcome, gain = drawn(3, TRIAL, skewed, normal, 6.0)
    chance = true_chance(deviation, gain, TRIAL[1], skewed, 6.0, 20.0)
    assert np.abs(tenths(pd.Series(chance), outcome >= 20)).max() < 4.5
    assert chance.mean() == pytest.approx((outcome >= 20).mean(), abs=0.01)


def test_a_baseline_and_one_visit_cannot_tell_and_the_result_says_so():
    """Heavy tails of the measurement and none of the knee are taken as the knee's; and where errors are normal, a visit
    with an error of 8 tells too little. Heavy errors against outcomes, as the true chance is not known there: a tenth
    errs by 1.5 points."""
    worst = []
    for change, error, seed in [(skewed, normal, 1), (two_kinds, normal, 2), (normal, heavy, 1), (normal, heavy, 3)]:
        found, (_, free) = measured(seed, ONE_VISIT, change, error, 8.0, 15.0 if error is heavy else 10.0)
        worst.append(np.abs(free).max())
        said = " ".join(found.notes)
        assert (
            "patients have fewer than three visits, which cannot tell whether heavy tails or a skew are of the" in said
        )
        assert "it was off by 1 to 18 percentage points in the worst tenth" in said
        assert f"The visits tell {100 * found.told:.0f} % of the variance of the true change, too little" in said
    assert 3 < max(worst) < 20, worst
