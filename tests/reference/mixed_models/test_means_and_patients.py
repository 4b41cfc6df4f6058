"""Means and differences against emmeans; effects of patients, fitted values and likelihood ratios against lme4.

The R calls stand in run_lme4.R; sources and tolerances of each quantity in quantities.csv.
"""

import numpy as np
import pytest

FILE = "lme4"
#: Cases with means and differences: the group, and the coding of its reference level.
GRIDS = {
    "orthodont visits reml": ("Sex", "Male"),
    "knee intercept reml": ("protocol", "exercise"),
    "knee slope reml": ("protocol", "exercise"),
    "knee line reml": ("protocol", "exercise"),
}
MODES = {"kenward-roger": "expected", "satterthwaite": "observed"}
#: Columns of R beside those of the engine.
OF_DIFFERENCES = {
    "estimate": "estimate", "SE": "std_error", "df": "df", "t.ratio": "statistic", "p.value": "p_value",
    "lower.CL": "lower", "upper.CL": "upper",
}  # fmt: skip
OF_MEANS = {"emmean": "estimate", "SE": "std_error", "df": "df", "lower.CL": "lower", "upper.CL": "upper"}
IN_STANDARD_ERRORS = {"emmean", "estimate", "lower.CL", "upper.CL", "t.ratio"}


def labels(table, group):
    return [f"{name} {week:g}" for name, week in zip(table[group], table["week"], strict=True)]


def compare(reference, case, kind, mode, table, columns):
    """Compare the columns of a table that has the labels of R as its index."""
    errors = reference.values(FILE, case, f"{kind} {mode} SE")
    for theirs, ours in columns.items():
        quantity = f"{kind} {mode} {theirs}"
        wanted = reference.values(FILE, case, quantity)
        assert sorted(wanted.index) == sorted(table.index)
        unit = errors.to_numpy() if theirs in IN_STANDARD_ERRORS - {"t.ratio"} else 1.0
        if theirs == "t.ratio":
            unit = np.maximum(1.0, wanted.abs().to_numpy())
        reference.check(FILE, case, quantity, table.loc[wanted.index, ours], unit=unit, tolerance_of=f"{kind} {mode}")


@pytest.mark.parametrize("mode", MODES)
def test_means(reference, mode):
    """emmeans holds numbers at their mean over visits, the engine over patients: only models without numbers compare."""
    fit = reference.fit("orthodont visits reml", mode, MODES[mode])
    means = fit.means(by="Sex")
    compare(reference, "orthodont visits reml", "mean", mode, means.set_axis(labels(means, "Sex")), OF_MEANS)


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("case", GRIDS)
def test_differences(reference, case, mode):
    group, first = GRIDS[case]
    fit = reference.fit(case, mode, MODES[mode])
    differences = fit.differences(of=group, reference=first)
    compare(reference, case, "difference", mode, differences.set_axis(labels(differences, group)), OF_DIFFERENCES)


@pytest.mark.parametrize("adjust", ["holm", "bonferroni", "sidak"])
@pytest.mark.parametrize("case", GRIDS)
def test_adjusted_p_values(reference, case, adjust):
    group, first = GRIDS[case]
    fit = reference.fit(case, "kenward-roger", "expected")
    table = fit.differences(of=group, reference=first, adjust=adjust)
    compare(
        reference, case, "difference", "kenward-roger", table.set_axis(labels(table, group)), {f"p {adjust}": "p_value"}
    )


def test_patient_effects(reference, lme4_case):
    """The engine's standard error adds the uncertainty of the coefficients to lme4's conditional standard deviation."""
    if not reference.has(FILE, lme4_case, "patient effect"):
        assert lme4_case.startswith("singular") or reference.cases[lme4_case]["correlated"] == "no"
        return
    fit = reference.fit(lme4_case)
    wanted = reference.values(FILE, lme4_case, "patient effect")
    spread = reference.values(FILE, lme4_case, "patient effect sd")
    effects = fit.patient_effects()
    names = effects["effect"].replace({"Intercept": "(Intercept)"}).str.replace(" ** ", "^").str.replace("**", "^")
    effects.index = effects[fit.design.patient].astype(str) + " | " + names
    wanted.index = spread.index = wanted.index.str.replace("block(.)[.]harv", r"block\1harv", regex=True)
    found = effects.loc[wanted.index]
    reference.check(FILE, lme4_case, "patient effect", found["estimate"], unit=spread.to_numpy())
    assert (found["std_error"].to_numpy() > spread.to_numpy() * (1 - 1e-6)).all()


def test_fitted_values(reference, lme4_case):
    if not reference.has(FILE, lme4_case, "fitted"):
        assert lme4_case.startswith("singular")
        return
    fitted = reference.fit(lme4_case).residuals()["fitted_patient"].to_numpy()[:3]
    reference.check(FILE, lme4_case, "fitted", fitted)


def test_residual_variance(reference, lme4_case):
    estimate = reference.fit(lme4_case).covariance_parameters["estimate"].iloc[-1]
    reference.check(FILE, lme4_case, "residual variance", estimate)


@pytest.mark.parametrize(
    ("case", "small", "large"),
    [
        ("sleepstudy slope ml", "sleepstudy intercept ml", "sleepstudy ml"),
        ("sleepstudy slope reml", "sleepstudy intercept reml", "sleepstudy reml"),
        ("knee slope", "knee intercept reml", "knee slope reml"),
    ],
)
def test_likelihood_ratio_of_a_slope(reference, case, small, large):
    """Half chi-square on one and half on two degrees of freedom: Verbeke & Molenberghs 2000, section 6.3.4."""
    table = reference.fit(large).compare(reference.fit(small))
    wanted = reference.values(FILE, case, "likelihood ratio")
    assert table["statistic"].item() == pytest.approx(wanted["statistic"], rel=1e-6)
    assert table["p_value"].item() == pytest.approx(wanted["p mixture"], rel=1e-5)


def test_type_3_of_lmertest(reference):
    """lmerTest anova(type = 3, ddf = 'Kenward-Roger') of Sex * C(age): each effect averaged over the other's levels."""
    fit = reference.fit("orthodont visits reml", "kenward-roger", "expected")
    terms = list(fit.coefficients.index)
    ages = [term for term in terms if term.startswith("C(age)")]
    rows = {"Sex": np.zeros((1, len(terms))), "C(age)": np.zeros((len(ages), len(terms)))}
    for k, term in enumerate(terms):
        if term == "Sex[T.Female]":
            rows["Sex"][0, k] = 1.0
        elif ":" in term:
            rows["Sex"][0, k] = 1.0 / (len(ages) + 1)
            rows["C(age)"][[age in term for age in ages], k] = 0.5
        elif term in ages:
            rows["C(age)"][ages.index(term), k] = 1.0
    for name, matrix in rows.items():
        table = fit.contrasts.joint(matrix)
        reference_values = reference.values(FILE, "orthodont visits reml", "type 3 kenward-roger")
        got = table[["statistic", "df"]].to_numpy(dtype=float).ravel()
        wanted = reference_values[[f"{name} statistic", f"{name} df"]].to_numpy()
        assert got == pytest.approx(wanted, rel=1e-5)
    interaction = fit.test("Sex:C(age)")[["statistic", "df"]].to_numpy(dtype=float).ravel()
    wanted = reference_values[["Sex:C(age) statistic", "Sex:C(age) df"]].to_numpy()
    assert interaction == pytest.approx(wanted, rel=1e-5)
