"""Standardised differences against statsmodels, the unadjusted one, and what cannot be fitted."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.responders.adjusted_difference import adjusted_difference
from analysis.outcomes.responders.responders import responders


def trial(rng, n=240, effect=0.8, sites=("A", "B", "C")):
    protocol = rng.permutation(np.resize(["usual", "early"], n))
    start = rng.normal(50, 10, n)
    gain = rng.logistic(8 + 6 * effect * (protocol == "early") - 0.4 * (start - 50), 6)
    ids = [f"P{i}" for i in range(n)]
    patients = pd.DataFrame({"patient_id": ids, "protocol": protocol, "site": rng.choice(sites, n)})
    patients["protocol"] = pd.Categorical(patients["protocol"], categories=["usual", "early"])
    visits = pd.concat(
        [
            pd.DataFrame({"patient_id": ids, "week": 0.0, "value": start}),
            pd.DataFrame({"patient_id": ids, "week": 26.0, "value": start + gain}),
        ]
    )
    return Cohort(patients, visits.assign(measure="ikdc", limb="none"))


def test_standardised_shares_by_statsmodels(rng):
    """statsmodels formula: smf.logit('responder ~ protocol + baseline + site'), predictions under each protocol averaged."""
    cohort = trial(rng)
    found = responders(cohort, "ikdc", week=26, threshold=10)
    adjusted = adjusted_difference(cohort, found, covariates=["baseline", "site"])
    data = found.patients.merge(cohort.patients[["patient_id", "site"]], on="patient_id")
    data = data.assign(
        y=data["responder"].astype(float), protocol=data["protocol"].astype(object), site=data["site"].astype(object)
    )
    fit = smf.logit("y ~ protocol + baseline + site", data).fit(disp=0)
    for name, share in zip(adjusted.table["protocol"], adjusted.table["share"], strict=True):
        assert share == pytest.approx(fit.predict(data.assign(protocol=name)).mean(), rel=1e-7)


def test_without_covariates_it_is_the_raw_difference(rng):
    """With protocol alone: raw shares, and the usual binomial errors times n / (n - p)."""
    cohort = trial(rng)
    found = responders(cohort, "ikdc", week=26, threshold=10)
    raw = adjusted_difference(cohort, found, covariates=[])
    assert raw.table["share"].tolist() == pytest.approx(found.table["share"].tolist(), rel=1e-9)
    p, n = found.table["share"].to_numpy(), found.table["n"].to_numpy()
    assert raw.table["std_error"].to_numpy() == pytest.approx(np.sqrt(p * (1 - p) / n * 240 / 238), rel=1e-9)
    assert raw.differences["difference"].item() == pytest.approx(found.differences["difference"].item(), rel=1e-9)


def test_limits_are_those_of_a_difference_of_shares(make_cohort):
    """9 of 10 against 1 of 10 without covariates. R: Newcombe's method 10 written out, sizes 10 x 18 / 20 = 9."""
    cohort = make_cohort({"usual": [30] + [0] * 9, "early": [0] + [30] * 9})
    adjusted = adjusted_difference(cohort, responders(cohort, "ikdc", week=26, threshold=10), covariates=[])
    row = adjusted.differences.iloc[0]
    assert (row["lower"], row["upper"]) == pytest.approx((0.3435808754, 0.9179751369), abs=1e-7)
    assert row["number_needed_in_words"].endswith("(95 % interval 1.1 to 2.9)")
    early = adjusted.table.set_index("protocol").loc["early"]
    assert (early["lower"], early["upper"]) == pytest.approx((0.5772629419, 0.9834210193), abs=1e-7)


@pytest.mark.parametrize("seed", range(4))
def test_limits_stay_within_what_is_possible(seed):
    cohort = trial(np.random.default_rng(seed), n=24, effect=1.5)
    adjusted = adjusted_difference(cohort, responders(cohort, "ikdc", week=26, threshold=10, level=0.999))
    assert adjusted.differences[["lower", "upper"]].abs().le(1).all(axis=None)
    assert (adjusted.differences[["number_needed_first", "number_needed_last"]] >= 1).all(axis=None)
    assert adjusted.table["lower"].ge(0).all()
    assert adjusted.table["upper"].le(1).all()


def test_a_strong_covariate_narrows_the_interval(rng):
    cohort = trial(rng, n=600)
    found = responders(cohort, "ikdc", week=26, threshold=10)
    raw = adjusted_difference(cohort, found, covariates=[]).differences["std_error"].item()
    assert adjusted_difference(cohort, found).differences["std_error"].item() < 0.97 * raw


def test_relabelled_reference_and_scaled_covariate(rng):
    cohort = trial(rng)
    one = adjusted_difference(cohort, responders(cohort, "ikdc", week=26, threshold=10)).differences.iloc[0]
    turned = adjusted_difference(cohort, responders(cohort, "ikdc", week=26, threshold=10, reference="early"))
    other = turned.differences.iloc[0]
    assert other["difference"] == pytest.approx(-one["difference"])
    assert other["std_error"] == pytest.approx(one["std_error"])


def test_nobody_responds_in_a_protocol(make_cohort):
    cohort = make_cohort({"usual": [0] * 12, "early": [0, 30] * 6}, baselines=list(range(30, 54)))
    found = adjusted_difference(cohort, responders(cohort, "ikdc", week=26, threshold=10))
    assert found.table["share"].isna().all()
    assert found.differences["number_needed_in_words"].item() == "number needed to treat: not known"
    assert any("the logistic model has no finite optimum" in note for note in found.notes)


def test_a_protocol_nobody_of_which_was_seen(make_cohort):
    cohort = make_cohort({"usual": [0, 30] * 4, "early": [None] * 3})
    found = adjusted_difference(cohort, responders(cohort, "ikdc", week=26, threshold=10), covariates=[])
    assert found.table["share"].isna().all()
    assert "No adjusted share: nobody was analysed in early." in found.notes


def test_covariates_that_cannot_serve(rng):
    cohort = trial(rng)
    found = responders(cohort, "ikdc", week=26, threshold=10)
    with pytest.raises(ModelError, match=r"There is no covariate 'age'\.\n  where: known: baseline, site"):
        adjusted_difference(cohort, found, covariates=["age"])
    twice = Cohort(cohort.patients.assign(clinic=cohort.patients["site"]), cohort.visits)
    with pytest.raises(ModelError, match=r"say the same thing twice\.\n  where: covariates: site, clinic"):
        adjusted_difference(twice, found, covariates=["site", "clinic"])


def test_missing_covariates_are_said(rng):
    cohort = trial(rng)
    holed = Cohort(cohort.patients.assign(site=cohort.patients["site"].where(cohort.patients.index > 4)), cohort.visits)
    found = adjusted_difference(holed, responders(holed, "ikdc", week=26, threshold=10), covariates=["site"])
    assert "Without a covariate, 5 patients are left out." in found.notes
    assert found.table["n"].sum() == 235
