"""Every analysis beside the recovery curves adjusts for what they adjust for: the baseline, and site where there are several."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from analysis.cohort import Cohort
from analysis.curves import fit_mixed
from analysis.curves.recovery import adjustment, fit_recovery
from analysis.errors import ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.missing.completed_data import mean_differences
from analysis.outcomes.missing.imputation import imputations
from analysis.outcomes.missing.missing_analyses import missing_data_analyses
from analysis.outcomes.missing.tipping_point import tipping_point
from analysis.outcomes.missing.weekly_model import fit_weekly

SITES = {"north": 0.0, "south": 6.0, "west": -5.0}


def trial(seed=3, n=210, lost=0.0):
    """Weeks 0, 12 and 26 at three sites that differ, with more of the early protocol where recoveries are good."""
    rng = np.random.default_rng(seed)
    site = rng.choice(list(SITES), n)
    early = rng.random(n) < pd.Series(site).map({"north": 0.5, "south": 0.75, "west": 0.3}).to_numpy()
    start = rng.normal(45, 9, n)
    at_site = np.array([SITES[name] for name in site])
    twelve = 20 + 0.7 * start + at_site + 2 * early + rng.normal(0, 6, n)
    last = 20 + 0.4 * start + 0.3 * twelve + 0.6 * at_site + 3 * early + rng.normal(0, 6, n)
    gone = rng.random(n) < lost * np.where(twelve < 55, 1.5, 0.5)
    ids = np.array([f"P{i:03d}" for i in range(n)])
    rows = pd.DataFrame(
        {
            "patient_id": np.tile(ids, 3),
            "week": np.repeat([0, 12, 26], n),
            "value": np.concatenate([start, twelve, last]),
        }
    )
    patients = pd.DataFrame({"patient_id": ids, "protocol": np.where(early, "early", "usual"), "site": site})
    patients["protocol"] = pd.Categorical(patients["protocol"], ["usual", "early"])
    return Cohort(patients, rows[~np.tile(gone, 3) | (rows["week"] < 26)].assign(measure="ikdc", limb="none"))


def least_squares(cohort, formula):
    """Fit by statsmodels the patients seen at week 26."""
    wide = cohort.visits.pivot_table(index="patient_id", columns="week", values="value").reset_index()
    frame = cohort.patients.merge(wide, on="patient_id").rename(columns={0: "start", 12: "twelve", 26: "last"})
    frame = frame.astype({"protocol": "object", "site": "object"})
    return smf.ols(formula.replace("protocol", "C(protocol, Treatment('usual'))"), frame).fit()


def test_the_analyses_take_what_the_curves_are_adjusted_for():
    cohort = trial(lost=0.3)
    curves = fit_recovery(cohort, "ikdc", primary_week=26)
    found = missing_data_analyses(cohort, choose_endpoint(cohort, "ikdc", week=26, reference="usual"), draws=2)
    turned = tipping_point(cohort, choose_endpoint(cohort, "ikdc", week=26, reference="usual", criterion=None), draws=2)
    assert curves.adjusted_for == found.covariates == turned.covariates == ("baseline", "site")
    assert adjustment(cohort, "ikdc") == ("baseline", "site")
    assert "Differences of means are adjusted for the baseline and site." in found.notes
    assert "mixed model" in set(found.differences["analysis"])


def test_observed_cases_are_least_squares_with_site():
    """statsmodels: ols('last ~ protocol + start + site')."""
    cohort = trial(lost=0.3)
    table = missing_data_analyses(
        cohort, choose_endpoint(cohort, "ikdc", week=26, reference="usual"), draws=2
    ).differences
    row, fit = table.iloc[0], least_squares(cohort, "last ~ protocol + start + site")
    assert row["analysis"] == "observed cases"
    assert row[["difference", "std_error", "df"]].tolist() == pytest.approx(
        [fit.params.iloc[1], fit.bse.iloc[1], fit.df_resid]
    )
    without = least_squares(cohort, "last ~ protocol + start")
    assert abs(without.params.iloc[1] - fit.params.iloc[1]) > 0.5


def test_without_gaps_every_analysis_is_least_squares_with_site():
    cohort = trial()
    fit = least_squares(cohort, "last ~ protocol + start + site")
    table = missing_data_analyses(
        cohort, choose_endpoint(cohort, "ikdc", week=26, reference="usual"), draws=2
    ).differences
    imputed = table[table["analysis"] == "multiple imputation"]
    assert len(imputed) == 4
    assert imputed["difference"].tolist() == pytest.approx([fit.params.iloc[1]] * 4)
    assert imputed["std_error"].tolist() == pytest.approx([fit.bse.iloc[1]] * 4)
    shifted = tipping_point(
        cohort, choose_endpoint(cohort, "ikdc", week=26, reference="usual", criterion=None), draws=2
    ).table
    assert shifted["difference"].tolist() == pytest.approx([fit.params.iloc[1]] * len(shifted))


def test_gaps_are_filled_by_site():
    """The last week of a third is missing by the week before: least squares with the week before is unbiased then, and
    the mean of 200 imputations comes to what it predicts, within 4 Monte Carlo errors; without site it does not."""
    cohort = trial(n=600, lost=0.35)
    model = fit_weekly(cohort, "ikdc", covariates=["site"])
    fit = least_squares(cohort, "last ~ protocol + start + site + twelve")
    gap = ~np.isfinite(model.values[:, 2])
    known = model.patients[gap].assign(start=model.values[gap, 0], twelve=model.values[gap, 1])
    expected = (
        fit.predict(known.astype({"protocol": "object", "site": "object"})).groupby(known["site"], observed=True).mean()
    )
    for covariates, near in ((["site"], True), ([], False)):
        drawn = [
            pd.Series(one[gap, 2]).groupby(known["site"].to_numpy()).mean()
            for one in imputations(fit_weekly(cohort, "ikdc", covariates=covariates), 200, np.random.default_rng(1))
        ]
        mean, error = pd.DataFrame(drawn).mean(), pd.DataFrame(drawn).std() / 200**0.5
        away = ((mean - expected) / error).abs()
        assert (away < 4).all() if near else (away > 8).any(), covariates


def test_imputation_at_random_agrees_with_a_mixed_model_of_several_sites():
    """The mixed model with sites that differ by week, as least squares at one week takes them: the same estimand, within
    4 Monte Carlo errors of 100 imputations and 5 % of a standard error. The curves of the report, whose sites differ by
    the same at every week, estimate it a little better, and come to the same within a standard error."""
    cohort = trial(n=420, lost=0.3)
    found = missing_data_analyses(cohort, choose_endpoint(cohort, "ikdc", week=26, reference="usual"), draws=100)
    by = found.differences.set_index(["analysis", "assumption"])
    imputed, curves = by.loc[("multiple imputation", "missing at random")], by.loc[("mixed model", "missing at random")]
    frame, mean = fit_recovery(cohort, "ikdc").frame, "value ~ (protocol + baseline + site) * C(week)"
    mixed = fit_mixed(frame, mean, patient_effects=None, residual="unstructured")
    row = mixed.differences(of="protocol", reference="usual", weeks=[26]).iloc[0]
    error = row["std_error"]
    assert imputed["difference"].item() == pytest.approx(row["estimate"], abs=error * (4 / 100**0.5 / 2 + 0.05))
    assert imputed["std_error"].item() == pytest.approx(error, rel=0.06)
    assert curves["difference"].item() == pytest.approx(row["estimate"], abs=error)
    assert (
        "What goes with site is the same at every week in the mixed model, and that of the week in the others."
        in found.notes
    )


def test_one_site_and_no_baseline():
    """What cannot be adjusted for is adjusted for nowhere."""
    cohort = trial(lost=0.2)
    one = replace(cohort, patients=cohort.patients.assign(site="north"))
    found = missing_data_analyses(one, choose_endpoint(one, "ikdc", week=26, reference="usual"), draws=2)
    assert found.covariates == ("baseline",)
    assert "Differences of means are adjusted for the baseline." in found.notes
    fit = least_squares(one, "last ~ protocol + start")
    assert found.differences["difference"].iloc[0] == pytest.approx(fit.params.iloc[1])
    late = replace(cohort, visits=cohort.visits[cohort.visits["week"] > 0])
    found = missing_data_analyses(late, choose_endpoint(late, "ikdc", week=26, reference="usual"), draws=2)
    assert found.covariates == ("site",)
    assert found.differences["analysis"].unique().tolist() == ["observed cases", "mixed model", "multiple imputation"]
    assert {"Differences of means are adjusted for site.", "There is no baseline."} <= set(found.notes)
    with pytest.raises(ModelError, match=r"There is no baseline to adjust for\."):
        missing_data_analyses(late, choose_endpoint(late, "ikdc", week=26), covariates=["baseline"])


def test_a_baseline_that_few_have_is_adjusted_for_nowhere():
    cohort = trial(lost=0.2)
    few = cohort.patients["patient_id"].iloc[:40]
    kept = (cohort.visits["week"] > 0) | cohort.visits["patient_id"].isin(few)
    found = missing_data_analyses(
        those := replace(cohort, visits=cohort.visits[kept]),
        choose_endpoint(those, "ikdc", week=26, reference="usual"),
        draws=2,
    )
    assert found.covariates == ("site",)
    fit = least_squares(cohort, "last ~ protocol + site")
    assert found.differences["difference"].iloc[0] == pytest.approx(fit.params.iloc[1])


def test_patients_without_a_site_are_left_out_everywhere_and_counted():
    cohort = trial(lost=0.2)
    some = cohort.patients.index < 12
    holed = replace(cohort, patients=cohort.patients.assign(site=cohort.patients["site"].mask(some)))
    ids = cohort.patients.loc[some, "patient_id"]
    without = replace(
        cohort, patients=cohort.patients[~some], visits=cohort.visits[~cohort.visits["patient_id"].isin(ids)]
    )
    curves = fit_recovery(holed, "ikdc")
    assert "Without a site, 12 patients are left out." in curves.choices
    assert curves.frame["patient_id"].nunique() == curves.model.n_patients == 198
    pd.testing.assert_frame_equal(curves.differences(), fit_recovery(without, "ikdc").differences())
    found, other = (
        missing_data_analyses(one, choose_endpoint(one, "ikdc", week=26, reference="usual"), draws=3)
        for one in (holed, without)
    )
    pd.testing.assert_frame_equal(found.differences, other.differences)
    assert "Without a site, 12 patients are left out." in found.notes
    assert (
        "Without a site, 12 patients are left out."
        in tipping_point(
            holed, choose_endpoint(holed, "ikdc", week=26, reference="usual", criterion=None), draws=2
        ).notes
    )


def test_a_site_that_nobody_reached_at_a_week():
    """Its difference from the others there is unknown: that of the start stands for it, and the notes say so."""
    cohort = trial(lost=0.2)
    west = cohort.patients.loc[cohort.patients["site"] == "west", "patient_id"]
    lost = cohort.visits["patient_id"].isin(west) & (cohort.visits["week"] == 26)
    found = missing_data_analyses(
        those := replace(cohort, visits=cohort.visits[~lost]),
        choose_endpoint(those, "ikdc", week=26, reference="usual"),
        draws=3,
    )
    assert found.differences["difference"].notna().all()
    assert any("site west at week 26" in note for note in found.notes)


@pytest.mark.parametrize("columns", [1, 3])
def test_differences_adjusted_for_several_columns_are_those_of_statsmodels(rng, columns):
    frame = pd.DataFrame(rng.normal(0, 1, (60, columns)), columns=[f"x{i}" for i in range(columns)])
    frame["protocol"] = np.resize(["a", "b", "c"], 60)
    frame["value"] = frame["x0"] * 2 + rng.normal(0, 1, 60)
    fit = smf.ols("value ~ C(protocol) + " + " + ".join(f"x{i}" for i in range(columns)), frame).fit()
    codes = frame["protocol"].map({"a": 0, "b": 1, "c": 2}).to_numpy()
    given = frame[[f"x{i}" for i in range(columns)]].to_numpy()
    constant = np.column_stack([given, np.full(60, 50.0), given[:, 0] + 1])  # what adds nothing costs nothing
    for adjusting in (given, constant):
        estimate, variance = mean_differences(frame["value"].to_numpy(), adjusting, codes, 0, 3)
        np.testing.assert_allclose(estimate, fit.params.iloc[1:3], rtol=1e-9)
        np.testing.assert_allclose(variance, fit.bse.iloc[1:3] ** 2, rtol=1e-9)


@pytest.mark.parametrize(("patients", "covariates"), [(30, ("baseline", "site")), (29, ("baseline",))])
def test_site_is_adjusted_for_from_ten_patients_each_on_average(patients, covariates):
    cohort = trial(n=60)
    kept = cohort.patients["patient_id"].iloc[:patients]
    site = np.resize(list(SITES), 60)
    few = replace(
        cohort,
        patients=cohort.patients.assign(site=site)[:patients],
        visits=cohort.visits[cohort.visits["patient_id"].isin(kept)],
    )
    assert adjustment(few, "ikdc") == covariates
