"""The version without the normal distribution: its likelihoods by direct integration, and calibration on known truths."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import multivariate_normal, norm

from analysis.cohort import Cohort
from analysis.outcomes.missing.weekly_model import fit_weekly
from analysis.outcomes.true_response import free_distribution, pieces
from analysis.outcomes.true_response.free_distribution import free_probability
from analysis.outcomes.true_response.true_pair import TruePair

WEEKS = (0.0, 12.0, 26.0)
CONTRAST = np.array([-1.0, 0.0, 1.0])
#: Levels, changes over 26 weeks, visits and errors: standard deviations.
LEVEL, CHANGE, VISIT, ERROR = 8.0, 9.0, 3.0, 3.0
GAINED = np.array([0.0, 0.7, 1.0])


def trial(rng, n, shape=None, lost=0.25):
    """Patients whose changes, standardised, are drawn by ``shape``; returns the cohort and the true changes."""
    protocol = np.resize(["usual", "early"], n)
    change = rng.standard_normal(n) if shape is None else shape(rng, n)
    true = 45 + 8 * rng.standard_normal((n, 1)) + GAINED * (17 + 4 * (protocol == "early")[:, None])
    true = true + CHANGE * change[:, None] * GAINED + VISIT * rng.standard_normal((n, 3))
    seen = true + ERROR * rng.standard_normal((n, 3))
    keep = rng.random((n, 3)) >= np.array([0, lost, lost])
    names = np.array([f"P{i:05d}" for i in range(n)])
    rows = pd.DataFrame({"patient_id": np.repeat(names, 3), "week": np.tile(WEEKS, n), "value": seen.ravel()})
    visits = rows[keep.ravel()].assign(measure="ikdc", limb="none")
    return Cohort(pd.DataFrame({"patient_id": names, "protocol": protocol}), visits), true[:, 2] - true[:, 0]


def pair_of(cohort):
    model = fit_weekly(cohort, "ikdc")
    error = np.full(3, ERROR**2)
    true = model.covariance - np.diag(error)
    return model, TruePair(model, CONTRAST, true, error), true


def two_kinds(rng, n):
    """35 and 65 %, the means 6.7 standard deviations of one kind apart; mean 0 and variance 1 as a whole."""
    kind = np.where(rng.random(n) < 0.35, -1.363, 0.734)
    return (kind + 0.312 * rng.standard_normal(n)) / 1.048


def test_what_the_visits_say_of_the_true_change_is_the_normal_formula(rng):
    """Mean c'T V^-1 r and variance c'(T - T V^-1 T)c of the true change given the visits made, pattern by pattern."""
    cohort, _ = trial(rng, 300)
    model, pair, true = pair_of(cohort)
    assert len(pair.patterns) == 4
    for seen, rows in pair.patterns:
        found = pair.evidence(seen, rows, {})
        left = np.linalg.inv(found.weight + np.eye(2))
        V, T = model.covariance[np.ix_(seen, seen)], true[seen]
        mean = pair.residual[np.ix_(rows, seen)] @ np.linalg.solve(V, T @ CONTRAST)
        np.testing.assert_allclose(pair.spread * (found.given @ left)[:, 0], mean, rtol=1e-3, atol=1e-3)
        variance = CONTRAST @ (true - T.T @ np.linalg.solve(V, T)) @ CONTRAST
        assert pair.spread**2 * left[0, 0] == pytest.approx(variance, rel=1e-3)
        if seen.all():
            told = 1 - variance / (CONTRAST @ true @ CONTRAST)
    assert pair.told() == pytest.approx(told, abs=0.02)  # those not seen at week 12 are told a little less


@pytest.mark.parametrize("variances", [(), (0.5, 1.0, 4.0)])
def test_likelihood_and_chance_in_a_piece_are_those_of_the_joint_normal(rng, variances):
    """Visits and true change of one piece are jointly normal: density of the visits, and the conditional normal tail;
    with errors of three variances, the sum over the nine ways in which those of weeks 0 and 26 can fall."""
    cohort, _ = trial(rng, 40)
    _, pair, _ = pair_of(cohort)
    many = pieces.lay_out(pair, np.arange(40))
    chosen = [0, len(many.centre) // 2, len(many.centre) // 2 + 7]
    few = pieces.Pieces(many.centre[chosen], many.width[chosen], many.borders)
    found, scale, beyond = pieces.likelihood_in(pair, few, np.arange(40), variances, threshold=12.0)
    assert found.max(axis=1) == pytest.approx(1.0)
    often = dict(zip(variances, (0.55, 0.35, 0.10), strict=True)) if variances else {1.0: 1.0}
    seen, rows = max(pair.patterns, key=lambda one: one[0].sum())
    patient = rows[0]
    y = pair.residual[patient, seen]
    assert seen.all()
    density, tail = np.zeros(3), np.zeros(3)
    for k in range(3):
        spread = pair.loading @ np.diag(few.width[k] ** 2) @ pair.loading.T + pair.rest
        mean = pair.loading @ few.centre[k]
        for first, p in often.items():
            for last, q in often.items():
                V = spread + ERROR**2 * np.diag([first, 1.0, last])
                here = p * q * multivariate_normal(mean, V).pdf(y)
                gain = np.linalg.solve(V, spread @ CONTRAST)
                expected = pair.centre[patient] + CONTRAST @ mean + (y - mean) @ gain
                left = CONTRAST @ spread @ CONTRAST - CONTRAST @ spread @ gain
                density[k] += here
                tail[k] += here * norm.sf(12.0, expected, left**0.5)
    np.testing.assert_allclose(found[patient], density / density.max(), rtol=1e-6)
    np.testing.assert_allclose(beyond[patient] / found[patient], tail / density, atol=1e-6)
    assert scale[patient] == pytest.approx(np.log(density.max()) + len(y) / 2 * np.log(2 * np.pi), abs=1e-6)


def test_every_step_raises_the_likelihood_and_keeps_shares_of_one(rng):
    likelihood, shares = rng.random((30, 8)), np.full(8, 1 / 8)
    before = np.log(likelihood @ shares).sum()
    for _ in range(20):
        shares = free_distribution._climb(likelihood, shares, 1)
        now = np.log(likelihood @ shares).sum()
        assert now >= before - 1e-12
        before = now
    assert shares.sum() == pytest.approx(1)


@pytest.mark.slow
def test_two_kinds_of_recovery_are_calibrated_and_the_normal_model_is_not(rng):
    """4,000 patients, tenths of equal numbers: 400 each, so that a share errs by 2.5 points."""
    cohort, change = trial(rng, 4000, two_kinds)
    model, pair, _ = pair_of(cohort)
    found = free_probability(pair, 12.0, model.protocol, draws=0, seed=1)
    assert found.error_df is None
    assert found.used == 4000
    normal = np.empty(4000)
    for seen, rows in pair.patterns:
        at = pair.evidence(seen, rows, {})
        left = np.linalg.inv(at.weight + np.eye(2))
        expected = pair.centre[rows] + pair.spread * (at.given @ left)[:, 0]
        normal[rows] = norm.sf(12.0, expected, pair.spread * left[0, 0] ** 0.5)
    off = [
        max(abs((change[one] >= 12).mean() - p[one].mean()) for one in np.array_split(np.argsort(p), 10))
        for p in (found.probability, normal)
    ]
    assert off[0] < 0.06
    assert off[1] > 0.1


@pytest.mark.slow
def test_normal_patients_get_what_the_normal_model_gives(rng):
    cohort, change = trial(rng, 2000)
    model, pair, _ = pair_of(cohort)
    found = free_probability(pair, 12.0, model.protocol, draws=0, seed=1)
    off = [
        abs((change[one] >= 12).mean() - found.probability[one].mean())
        for one in np.array_split(np.argsort(found.probability), 10)
    ]
    assert max(off) < 0.08  # 200 patients in a tenth: a share errs by 3.5 points
    assert found.probability.mean() == pytest.approx((change >= 12).mean(), abs=0.03)


def test_the_order_of_patients_does_not_matter_and_the_seed_decides(rng):
    cohort, _ = trial(rng, 150)
    model, pair, _ = pair_of(cohort)
    one = free_probability(pair, 12.0, model.protocol, draws=4, seed=5)
    again = free_probability(pair, 12.0, model.protocol, draws=4, seed=5)
    np.testing.assert_array_equal(one.shares, again.shares)
    assert not np.array_equal(one.shares, free_probability(pair, 12.0, model.protocol, draws=4, seed=6).shares)
    turned = Cohort(cohort.patients.iloc[::-1].reset_index(drop=True), cohort.visits)
    model, pair, _ = pair_of(turned)
    back = free_probability(pair, 12.0, model.protocol, draws=0, seed=5).probability[::-1]
    np.testing.assert_allclose(back, one.probability, atol=1e-3)


@pytest.mark.slow
def test_a_protocol_of_other_shape_has_its_own(rng):
    """One protocol moves patients from one kind of recovery to the other, which a common shape would not follow."""
    cohort, change = trial(rng, 3000, two_kinds)
    early = (cohort.patients["protocol"] == "early").to_numpy()
    good = early & (rng.random(3000) < 0.6)
    lift = np.where(good, 10.0, 0.0)
    moved = cohort.visits.merge(pd.DataFrame({"patient_id": cohort.patients["patient_id"], "lift": lift}))
    moved["value"] += moved["lift"] * np.interp(moved["week"], WEEKS, GAINED)
    both = Cohort(cohort.patients, moved.drop(columns="lift"))
    model, pair, _ = pair_of(both)
    found = free_probability(pair, 12.0, model.protocol, draws=0, seed=1)
    for k in range(2):
        own = model.protocol == k
        assert found.probability[own].mean() == pytest.approx((change + lift >= 12)[own].mean(), abs=0.03)


def test_steps_are_those_that_other_patients_bear_out(rng):
    """Two pieces: where half of the patients lie far in the second, steps pay; where the start is right, hardly any."""
    start = np.array([0.9, 0.1])
    second = rng.random(400) < 0.5
    likelihood = np.where(second[:, None], [0.01, 1.0], [1.0, 0.01])
    steps = free_distribution._steps(likelihood, start)
    assert steps >= 4
    assert free_distribution._climb(likelihood, start, steps)[1] == pytest.approx(second.mean(), abs=0.02)
    assert free_distribution._steps(np.ones((400, 2)), start) == 0
    assert free_distribution._steps(likelihood[:19], start) == 0
    turned = rng.permutation(400)
    assert free_distribution._steps(likelihood[turned], start) == steps
