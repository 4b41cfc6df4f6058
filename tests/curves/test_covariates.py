"""What curves are adjusted for beside the baseline, and the baseline as an outcome; what is refused."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.curves.covariates import with_named_covariates
from analysis.curves.recovery import adjustment, fit_recovery
from analysis.errors import ModelError
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def cohort():
    return generate_cohort(patients=240, seed=1).observed


def test_the_baseline_as_an_outcome_keeps_every_patient_with_a_value(cohort):
    curves, other = (fit_recovery(cohort, "quadriceps_torque", baseline_as=way) for way in ("outcome", "covariate"))
    assert (curves.model.n_patients, other.model.n_patients) == (240, 214)
    assert "26 of 240 patients are kept without a baseline or a later value" in " ".join(curves.choices)
    assert curves.weeks == other.weeks
    means = curves.means()
    assert means.groupby("protocol", observed=True)["n"].first().to_dict() == dict.fromkeys(curves.protocols, 80)
    assert set(curves.differences().columns) == set(other.differences().columns)
    at_start = curves.model.means(by="protocol_then", weeks=[0.0])
    assert at_start["estimate"].iloc[0] == pytest.approx(
        cohort.visits.query("measure == 'quadriceps_torque' and limb == 'involved' and week == 0")["value"].mean(),
        abs=0.01,
    )


def test_patients_without_a_baseline_stay_and_say_something(cohort):
    """Take the baseline of a third of the patients away: as a covariate they are lost, as an outcome they narrow the interval."""
    third = set(cohort.patients["patient_id"].iloc[::3])
    lost = cohort.visits["patient_id"].isin(third) & (cohort.visits["week"] <= 0)
    fewer = replace(cohort, visits=cohort.visits[~lost])
    one, other = (fit_recovery(fewer, "pain", baseline_as=way) for way in ("outcome", "covariate"))
    assert one.model.n_patients > 1.3 * other.model.n_patients
    assert (one.primary_differences()["std_error"] < 0.95 * other.primary_differences()["std_error"]).all()


def test_what_is_named_takes_the_place_of_site(cohort):
    assert fit_recovery(cohort, "pain").adjusted_for == ("baseline", "site")
    assert fit_recovery(cohort, "pain", adjust_for=[]).adjusted_for == ("baseline",)
    assert fit_recovery(cohort, "pain", adjust_for=["graft"]).adjusted_for == ("baseline", "graft")
    assert adjustment(cohort, "pain", covariates=("graft",)) == ("baseline", "graft")


def test_patients_without_a_covariate_are_left_out_and_counted(cohort):
    sex = cohort.patients["sex"].mask(cohort.patients.index < 12)
    curves = fit_recovery(replace(cohort, patients=cohort.patients.assign(sex=sex)), "pain", adjust_for=["sex"])
    lost = set(cohort.patients["patient_id"].iloc[:12]) & set(fit_recovery(cohort, "pain").frame["patient_id"])
    assert f"Without a sex, {len(lost)} patients are left out." in curves.choices


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (["height"], "There is no covariate 'height'"),
        (["protocol"], "There is no covariate 'protocol'"),
        (["spline(sex)"], "No smooth curve of 'sex' can be drawn"),
        (["spline(height_cm)"], "There is no covariate 'height_cm'"),
        (["sex", "sex"], "sex is named twice"),
        (["spline(age_years)", "spline(age_years)"], "a curve of age is named twice"),
        (["number"], "The covariate 'number' has 240 labels in 240 patients"),
        (["procedure"], "The covariate 'procedure' is the same in every patient"),
    ],
)
def test_what_cannot_be_adjusted_for_is_refused(cohort, names, said):
    patients = cohort.patients.assign(number=[f"n{place}" for place in range(240)])
    with pytest.raises(ModelError, match=said.replace("(", r"\(").replace(")", r"\)")):
        with_named_covariates(replace(cohort, patients=patients), names)


def test_a_column_with_a_space_in_its_name_can_be_adjusted_for(cohort):
    named = replace(cohort, patients=cohort.patients.rename(columns={"graft": "kind of graft"}))
    pd.testing.assert_frame_equal(
        fit_recovery(named, "pain", adjust_for=["kind of graft"]).differences(),
        fit_recovery(cohort, "pain", adjust_for=["graft"]).differences(),
    )


def test_the_baseline_cannot_be_an_outcome_without_one_or_without_a_schedule(cohort):
    later = replace(cohort, visits=cohort.visits[cohort.visits["week"] > 0])
    with pytest.raises(ModelError, match="The baseline cannot be an outcome"):
        fit_recovery(later, "pain", baseline_as="outcome")
    rng = np.random.default_rng(1)
    week = cohort.visits["week"] + np.where(cohort.visits["week"] > 0, rng.uniform(-1, 1, len(cohort.visits)), 0)
    with pytest.raises(ModelError, match="The baseline cannot be an outcome"):
        fit_recovery(replace(cohort, visits=cohort.visits.assign(week=week)), "pain", baseline_as="outcome")
    with pytest.raises(ModelError, match="There is no way to take the baseline in 'change'"):
        fit_recovery(cohort, "pain", baseline_as="change")
