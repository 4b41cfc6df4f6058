"""The test of normality: what it looks at is standard normal, and it finds what it should."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.cohort import Cohort
from analysis.outcomes.missing.weekly_model import fit_weekly
from analysis.outcomes.true_response import normality
from analysis.outcomes.true_response.normality import check_normality
from analysis.outcomes.true_response.response_posterior import true_covariance
from analysis.outcomes.true_response.true_pair import TruePair

WEEKS = (0.0, 6.0, 26.0)


def verdict(rng, n, change=None, error=None, lost=0.2, cohorts=100, **other):
    """Test a cohort of two protocols, levels 8, changes 9, errors 4: standard deviations."""
    draw = change or rng.standard_normal
    gained = np.array([0, 0.5, 1.0])
    true = 50 + 8 * rng.standard_normal((n, 1)) + gained * (15 + 9 * draw(n)[:, None])
    noise = (error or rng.standard_normal)((n, 3))
    seen = rng.random((n, 3)) >= np.array([0, lost, lost])
    names = np.array([f"P{i:04d}" for i in range(n)])
    frame = pd.DataFrame(
        {"patient_id": np.repeat(names, 3), "week": np.tile(WEEKS, n), "value": (true + 4 * noise).ravel()}
    )
    people = pd.DataFrame({"patient_id": names, "protocol": np.resize(["usual", "early"], n)})
    model = fit_weekly(Cohort(people, frame[seen.ravel()].assign(measure="ikdc", limb="none")), "ikdc")
    covariance = 64 + 81 * np.outer(gained, gained) + 1e-3 * np.eye(3)
    pair = TruePair(model, np.array([-1.0, 0, 1]), covariance, np.full(3, 16.0))
    return check_normality(model, pair, cohorts=cohorts, **other), model, pair


@pytest.mark.slow
def test_what_is_tested_is_standard_normal_under_the_model(rng):
    """Visits drawn from the model's own covariance: means 0, variances 1, at 20,000 draws of 60 patients each."""
    _, model, pair = verdict(rng, 60)
    root = np.linalg.cholesky(pair.loading @ pair.loading.T + pair.rest + np.diag(pair.error))
    pair_scores = normality._scores(model, pair, rng.standard_normal((20_000, 60, 3)) @ root.T, np.arange(60))
    names = ["true change", "true value at week 0"]
    for name in names:
        assert abs(pair_scores[name].mean()) < 0.01
        assert pair_scores[name].var() == pytest.approx(1, abs=0.01)
    root = np.linalg.cholesky(model.covariance)
    visit_scores = normality._scores(model, pair, rng.standard_normal((20_000, 60, 3)) @ root.T, np.arange(60))
    for name in ["observed change", *(f"visit at week {week:g}" for week in WEEKS)]:
        assert visit_scores[name].var() == pytest.approx(1, abs=0.01)
    assert list(visit_scores) == ["observed change", *names, *(f"visit at week {week:g}" for week in WEEKS)]


@pytest.mark.parametrize("n", [20, 57, 500])
def test_the_test_of_simulated_cohorts_is_that_of_scipy(rng, n):
    rows = np.vstack([rng.standard_normal((40, n)), rng.gamma(1.0, 1.0, (40, n)), rng.standard_t(3, (40, n))])
    np.testing.assert_allclose(normality._normal_test(rows), stats.normaltest(rows, axis=1).pvalue, rtol=1e-9)


def test_a_skew_is_found_and_named(rng):
    found, _, _ = verdict(rng, 400, lambda n: rng.gamma(1.0, 1.0, n) - 1)
    assert found.rejected
    change = found.parts.set_index("part").loc["true change"]
    assert change["adjusted_p_value"] < 0.05
    assert change["skewness"] > 0.5
    assert found.words.startswith("Normality is rejected at the 5 % level in ")
    assert (
        f"true change (skewness {change['skewness']:.2f}, excess kurtosis {change['excess_kurtosis']:.2f})"
        in found.words
    )


def test_heavy_tails_of_single_visits_are_found(rng):
    found, _, _ = verdict(rng, 400, error=lambda shape: rng.standard_t(3, shape) / 3**0.5)
    visits = found.parts[found.parts["part"].str.startswith("visit")]
    assert found.rejected
    assert (visits["excess_kurtosis"] > 0.3).any()


def test_normal_patients_pass_and_the_power_is_said(rng):
    found, _, _ = verdict(rng, 150)
    assert found.rejected is False
    power = found.power.set_index(["part", "departure"])["power"]
    skewed = power["true change", "a skew (gamma of shape 2, skewness 1.4)"]
    assert power.between(0, 1).all()
    assert (
        f"{100 * skewed:.0f} % of them with a skew (gamma of shape 2, skewness 1.4) of the true change" in found.words
    )
    assert "(150 patients)" in found.words


def test_power_rises_with_patients(rng):
    few, many = (verdict(rng, n)[0].power.set_index(["part", "departure"])["power"] for n in (50, 400))
    assert (many > few).all()
    assert many["true change", "a skew (gamma of shape 2, skewness 1.4)"] > 0.9


def test_the_adjusted_p_value_allows_for_all_parts(rng):
    found, _, _ = verdict(rng, 120)
    assert (found.parts["adjusted_p_value"] >= found.parts["p_value"] - 0.02).all()
    assert found.parts["adjusted_p_value"].min() > found.parts["p_value"].min()


def test_an_adjusted_p_value_is_never_zero_and_its_smallest_counts_the_cohort_itself(rng):
    """Patients so skewed that no simulated cohort is: one of 501, the cohort at hand and 5 x 100 simulated ones (Phipson and
    Smyth 2010: a Monte Carlo p value counts the data among the draws; from memory)."""
    found, _, _ = verdict(rng, 400, lambda n: rng.gamma(0.3, 1.0, n) / 0.3**0.5 - 0.3**0.5, cohorts=100)
    assert found.parts["p_value"].min() < 1e-12
    assert found.parts["adjusted_p_value"].min() == pytest.approx(1 / 501, rel=1e-12)
    normal, _, _ = verdict(rng, 150, cohorts=100)
    assert normal.parts["adjusted_p_value"].le(1).all()


def test_departures_drawn_have_mean_0_and_variance_1(rng):
    for draw in (normality._normal, normality._heavy, normality._skewed, normality._two_kinds):
        values = draw(rng, (400_000,))
        assert values.mean() == pytest.approx(0, abs=0.01)
        assert values.var() == pytest.approx(1, abs=0.05)


def test_too_few_patients_are_not_tested(rng):
    found, _, _ = verdict(rng, 18, lost=0.1)
    assert found.rejected is None
    assert found.words == "Normality was not tested: fewer than 20 patients had the visits for it."
    assert found.parts.empty
    assert found.power.empty
    some, _, _ = verdict(rng, 26, lost=0.3)
    assert "true change" in some.untested
    assert "Not tested, as fewer than 20 patients had the visits for it: observed change, true change" in some.words


def test_a_skew_is_found_where_the_stated_error_is_too_large(rng):
    """The covariance of true values is then distorted, and the guess of the true change with it; the observed one is not."""
    _, model, _ = verdict(rng, 300, lambda n: rng.gamma(1.0, 1.0, n) - 1)
    true, _ = true_covariance(model.covariance, np.full(3, 64.0))
    found = check_normality(model, TruePair(model, np.array([-1.0, 0, 1]), true, np.full(3, 64.0)), cohorts=100)
    observed = found.parts.set_index("part").loc["observed change"]
    assert observed["skewness"] > 0.6
    assert observed["adjusted_p_value"] < 0.05
