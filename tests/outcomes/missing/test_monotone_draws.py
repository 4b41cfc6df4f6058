"""Draws of the joint model: exact where the covariance is unstructured, whatever the number of patients."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from analysis.cohort import Cohort
from analysis.outcomes.missing.covariance_draws import CovarianceDraws
from analysis.outcomes.missing.monotone_draws import MonotoneDraws
from analysis.outcomes.missing.weekly_model import fit_weekly

WEEKS = [0, 6, 12]
DRAWS = 4000


def cohort_of(values, protocol=None, site=None):
    n = len(values)
    ids = np.array([f"P{i:03d}" for i in range(n)])
    rows = pd.DataFrame({"patient_id": ids.repeat(3), "week": np.tile(WEEKS, n), "value": np.ravel(values)}).dropna()
    patients = pd.DataFrame({"patient_id": ids, "protocol": np.resize(["usual", "early"], n)})
    if protocol is not None:
        patients["protocol"] = protocol
    if site is not None:
        patients["site"] = site
    return Cohort(patients, rows.assign(measure="ikdc", limb="none"))


def values_of(rng, n):
    values = 50 + rng.normal(0, 8, (n, 1)) + np.cumsum(rng.normal(0, 4, (n, 3)), axis=1)
    return values + np.outer(np.arange(n) % 2, [0, 2, 4])


def last_week(model):
    """Draws of the regression of the last week on the protocol and the weeks before: residual variance, slopes."""
    variances, slopes = [], []
    for _, V in model.draws(DRAWS, np.random.default_rng(7)):
        slope = np.linalg.solve(V[:2, :2], V[:2, 2])
        slopes.append(slope)
        variances.append(V[2, 2] - slope @ V[:2, 2])
    return np.array(variances), np.array(slopes)


@pytest.mark.parametrize("kept", [20, 13])
def test_the_last_week_follows_the_posterior_of_its_regression(rng, kept):
    """20 patients, of whom 13 or all reached week 12: with the prior 1 / variance the residual sum of squares over the
    variance is chi-square with n - 4 degrees of freedom and the slopes are t (Gelman et al., Bayesian Data Analysis, 3rd
    ed., 14.2); least squares by statsmodels. Kolmogorov-Smirnov distances below the 0.1 % limit of 4,000 draws. The
    normal approximation has no such tails."""
    values = values_of(rng, 20)
    values[kept:, 2] = np.nan
    model = fit_weekly(cohort_of(values), "ikdc")
    seen = values[:kept]
    fit = sm.OLS(seen[:, 2], np.column_stack([np.arange(kept) % 2, np.ones(kept), seen[:, :2]])).fit()
    assert fit.df_resid == kept - 4
    variances, slopes = last_week(model)
    limit = 1.95 / DRAWS**0.5
    assert stats.kstest(fit.ssr / variances, "chi2", args=(kept - 4,)).statistic < limit
    for place in (0, 1):
        t = (slopes[:, place] - fit.params[2 + place]) / fit.bse[2 + place]
        assert stats.kstest(t, "t", args=(kept - 4,)).statistic < limit


def test_the_means_follow_theirs(rng):
    """Without gaps the difference of two protocols at week 0 is t with n - 2 degrees of freedom about least squares."""
    values = values_of(rng, 14)
    model = fit_weekly(cohort_of(values), "ikdc")
    fit = sm.OLS(values[:, 0], np.column_stack([np.ones(14), np.arange(14) % 2])).fit()
    design = model.design("early")[0, 0] - model.design("usual")[0, 0]
    drawn = np.array([design @ coefficients for coefficients, _ in model.draws(DRAWS, np.random.default_rng(3))])
    assert stats.kstest((drawn - fit.params[1]) / fit.bse[1], "t", args=(12,)).statistic < 1.95 / DRAWS**0.5


@pytest.mark.slow
def test_with_gaps_between_visits_they_are_the_posterior(rng):
    """The same posterior by another road: draws of the normal approximation, weighted by the restricted likelihood (in
    which the coefficients are integrated out) times the prior over the density that they came from. 80 patients, every
    fifth value after the start missing: the weights are even enough."""
    values, many = values_of(rng, 80), 2000
    values[:, 1:][rng.random((80, 2)) < 0.2] = np.nan
    model = fit_weekly(cohort_of(values), "ikdc")
    exact = np.array([V[np.tril_indices(3)] for _, V in model.draws(many, np.random.default_rng(1))])
    approximate, generator = CovarianceDraws(model.fit), np.random.default_rng(2)
    centre = np.concatenate([np.log(np.diag(approximate.factor)), approximate.factor[np.tril_indices(3, -1)]])
    normal = stats.multivariate_normal(centre, approximate.root @ approximate.root.T)
    elements, weights = [], []
    for _ in range(many):
        theta = approximate.moved(generator.standard_normal(approximate.root.shape[1]))
        V = model.fit.optimum.likelihood.covariance.matrix(theta)[0]
        factor = np.linalg.cholesky(V)
        log_diagonal = np.log(np.diag(factor))
        there = np.concatenate([log_diagonal, factor[np.tril_indices(3, -1)]])
        prior = -(np.array([2, 1, 0]) @ log_diagonal)  # of the factor, where each regression has 1 / variance
        criterion = model.fit.optimum.likelihood.at(theta).criterion
        weights.append(-criterion / 2 + prior - normal.logpdf(there))
        elements.append((V * model.fit.basis.scale**2)[np.tril_indices(3)])
    weight = np.exp(np.array(weights) - max(weights))
    weight /= weight.sum()
    elements = np.array(elements)
    mean = weight @ elements
    spread = np.sqrt(weight @ (elements - mean) ** 2)
    effective = 1 / (weight**2).sum()
    assert effective > many / 4
    noise = spread * (1 / effective + 2 / many) ** 0.5
    assert (np.abs(exact.mean(axis=0) - mean) < 4 * noise).all()
    np.testing.assert_allclose(exact.std(axis=0), spread, rtol=0.12)


def test_covariates_are_drawn_by_week(rng):
    """Three sites: the difference of two of them at week 12, given the weeks before, is t about least squares."""
    values, site = values_of(rng, 24), np.resize(["A", "B", "C"], 24)
    model = fit_weekly(cohort_of(values, site=site), "ikdc", covariates=["site"])
    columns = np.column_stack([site == "B", site == "C", np.arange(24) % 2, np.ones(24), values[:, :2]]).astype(float)
    fit = sm.OLS(values[:, 2], columns).fit()
    people, design = model.kinds[0], model.design()
    usual = people["protocol"].astype("str") == "usual"
    one, other = (int(np.flatnonzero(usual & (people["site"].astype("str") == name))[0]) for name in "BA")
    drawn = []
    for coefficients, V in model.draws(DRAWS, np.random.default_rng(5)):
        gap = (design[one] - design[other]) @ coefficients
        drawn.append(gap[2] - np.linalg.solve(V[:2, :2], V[:2, 2]) @ gap[:2])
    t = (np.array(drawn) - fit.params[0]) / fit.bse[0]
    assert stats.kstest(t, "t", args=(fit.df_resid,)).statistic < 1.95 / DRAWS**0.5


def test_the_record_says_how_parameters_are_drawn(rng):
    whole = fit_weekly(cohort_of(values_of(rng, 20)), "ikdc")
    assert MonotoneDraws.fit_for(whole)
    assert whole.choices[-1].startswith("Parameters are drawn from their posterior, week after week")
    values = values_of(rng, 20)
    values[5:, 2] = np.nan
    few = fit_weekly(cohort_of(values), "ikdc")
    assert not MonotoneDraws.fit_for(few)
    assert few.choices[-1].startswith(
        "Parameters are drawn from a normal approximation of their posterior, since too few"
    )
    assert len(list(few.draws(3, rng))) == 3


@pytest.mark.slow
def test_a_simpler_covariance_is_drawn_from_its_posterior_too(rng, monkeypatch):
    """30 patients, a variance for all: with the prior of the scale drawn on (flat in the log of the residual variance
    and in the standard deviation of the patients) the posterior on a grid; 1,200 draws within 4 errors, a third more allowed
    for the chain."""
    monkeypatch.setattr("analysis.outcomes.missing.weekly_model.CANDIDATES", (("1", "independent", "an intercept"),))
    values = 50 + rng.normal(0, 2, (30, 1)) + rng.normal(0, 4, (30, 3))
    model = fit_weekly(cohort_of(values), "ikdc")
    assert "Metropolis" in model.choices[-1]
    draws = CovarianceDraws(model.fit)
    likelihood = model.fit.optimum.likelihood
    spread = 6 * np.sqrt((draws.root**2).sum(axis=1))
    grid = [np.linspace(centre - width, centre + width, 31) for centre, width in zip(draws.phi, spread, strict=True)]
    grid[0] = np.linspace(0, grid[0][-1], 32)[1:]
    there = [likelihood.at(draws.covariance.theta(np.array([a, b]))) for a in grid[0] for b in grid[1]]
    kept = [one for one in there if one is not None]
    log = np.array([-one.criterion / 2 for one in kept])
    weight = np.exp(log - log.max()) / np.exp(log - log.max()).sum()
    thetas = np.array([one.theta for one in kept])
    mean = weight @ thetas
    deviation = np.sqrt(weight @ (thetas - mean) ** 2)
    drawn = np.array([one.theta for one in draws.evaluations(1200, np.random.default_rng(4))])
    assert (np.abs(drawn.mean(axis=0) - mean) < 4 * deviation * (1.33 / 1200) ** 0.5).all()
    np.testing.assert_allclose(drawn.std(axis=0), deviation, rtol=0.1)


def test_a_site_that_nobody_reached_at_a_week_is_drawn_by_the_approximation(rng):
    values, site = values_of(rng, 30), np.resize(["A", "B", "C"], 30)
    values[site == "C", 2] = np.nan
    model = fit_weekly(cohort_of(values, site=site), "ikdc", covariates=["site"])
    assert not MonotoneDraws.fit_for(model)
    assert np.isfinite(next(model.draws(1, rng))[0]).all()
