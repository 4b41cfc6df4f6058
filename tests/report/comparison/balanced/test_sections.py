"""The section among patients made alike: there where nobody drew lots, with what it says held against the comparison itself."""

import re

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort, Provenance
from analysis.errors import CohortError, ModelError
from analysis.outcomes import observational_comparison
from analysis.report import Passage, Table, comparison
from analysis.report.comparison.balanced.covariates import balanced_for, not_balanced

from ...truths.planted import better, plant


def with_ages(cohort, seed=3, **more):
    """Add ages and a sex to the patients, and columns named."""
    rng = np.random.default_rng(seed)
    n = len(cohort.patients)
    people = cohort.patients.assign(
        age_years=rng.integers(18, 60, n).astype(float), sex=rng.choice(["female", "male"], n), **more
    )
    return Cohort(people, cohort.visits, reference=cohort.reference, provenance=Provenance(steps=("Made for a test.",)))


@pytest.fixture(scope="module")
def cohort():
    """Give a cohort whose early patients started better."""
    return with_ages(plant(2, start={"early": 0.2}, effect=better(0.3)))


@pytest.fixture(scope="module")
def study(study_in_memory, cohort):
    return study_in_memory(cohort, imputations=2, design="observational")


def tables(section):
    return {one.name: one for one in section if isinstance(one, Table)}


def test_numbers_are_those_of_the_comparison(study, cohort):
    found = observational_comparison(cohort, "quadriceps_torque", ["spline(age_years)", "sex"], reference="usual")
    shown = tables(comparison.balanced_comparison(study))
    data = shown["balanced-differences"].data
    np.testing.assert_allclose(data["estimate"], found.differences["estimate"], rtol=1e-9)
    np.testing.assert_allclose(data["crude_estimate"], found.crude["estimate"], rtol=1e-9)
    np.testing.assert_allclose(data["model_estimate"], found.standardised["estimate"], rtol=1e-9)
    (one,) = study.found.balanced
    row = found.differences.set_index("week").loc[26.0]
    assert (one.difference.estimate, one.difference.lower) == pytest.approx((row["estimate"], row["lower"]), rel=1e-9)
    assert one.e_value == pytest.approx(row["e_value"], rel=1e-9)


def test_the_trial_is_written_down_part_by_part(study):
    trial = tables(comparison.balanced_comparison(study))["trial"].data.set_index("part")["words"]
    assert trial.index.tolist() == ["Who", "Start", "Protocols", "Made alike", "Not made alike", "Outcome", "Compared"]
    assert trial["Who"].startswith(
        "All 120 patients of the cohort; the answer is about patients for whom every protocol"
    )
    assert "early against usual, as given" in trial["Protocols"]
    assert "in the baseline, age and sex" in trial["Made alike"]
    assert "Why a patient was given a protocol is not in the data" in trial["Not made alike"]
    assert "An association" in trial["Compared"]


def test_what_is_known_and_left_out_is_named(study_in_memory, cohort):
    known = with_ages(cohort, therapist=["A", "B"] * 60)
    found = study_in_memory(known, imputations=2, design="observational", alike_in=["sex"])
    trial = tables(comparison.balanced_comparison(found))["trial"].data.set_index("part")["words"]
    assert trial["Not made alike"].startswith("Known and left out: age years and therapist.")
    assert "in the baseline and sex." in trial["Made alike"]


def test_the_target_is_shown_as_they_came_and_weighted(study):
    target = tables(comparison.balanced_comparison(study))["target"].data.set_index("what")
    assert len(set(target.loc["Sex: female", ["usual", "early"]])) == 1
    weighted = target.loc["The baseline, mean"]
    assert abs(float(weighted["usual"]) - float(weighted["early"])) <= 0.1


def test_another_target_is_said(study_in_memory, cohort):
    found = study_in_memory(cohort, imputations=2, design="observational", target="early")
    trial = tables(comparison.balanced_comparison(found))["trial"].data.set_index("part")["words"]
    assert "patients like those of protocol 'early'" in trial["Who"]


@pytest.mark.parametrize(
    ("named", "said"),
    [
        ({"target": "nobody"}, "There is no target 'nobody'."),
        ({"alike_in": ["sex", "shoe_size"]}, "There is no covariate 'shoe_size'."),
        ({"alike_in": ["spline(sex)"]}, "sex"),
        ({"alike_in": ["quadriceps_torque"]}, "measured at visits, also after the start"),
        ({"alike_in": ["baseline(pain)"]}, "There is no measure 'pain' taken at week 0 or before."),
    ],
)
def test_what_was_named_and_cannot_be_balanced_is_refused_before_anything_is_shown(
    study_in_memory, cohort, named, said
):
    with pytest.raises(ModelError, match=re.escape(said)):
        study_in_memory(cohort, imputations=2, design="observational", **named)


def test_of_patients_allocated_at_random_nothing_is_shown(study_in_memory, cohort):
    found = study_in_memory(cohort, imputations=2, design="randomised")
    assert len(comparison.balanced_comparison(found)) == 0
    assert found.found.balanced == ()
    assert "alanced" not in str(comparison.answer(found))


def test_where_patients_cannot_be_made_alike_it_is_said_with_what_to_do(study_in_memory):
    cohort = plant(2, start={"early": 1.6}, sites=("north", "south"))
    found = study_in_memory(cohort, imputations=2, design="observational")
    (absent,) = comparison.balanced_comparison(found)
    assert isinstance(absent, Passage)
    assert absent.kind == "absent"
    assert "Name fewer covariates" in str(absent)
    assert "Patients could not be made alike" in str(comparison.answer(found))
    assert all("alanced" not in str(one) for one in comparison.differences(found))


def test_a_protocol_that_one_site_alone_gives_is_refused_in_words(study_in_memory):
    cohort = plant(2)
    people = cohort.patients.assign(
        site=["north" if name == "early" else "south" for name in cohort.patients["protocol"]]
    )
    one_each = Cohort(people, cohort.visits, reference="usual", provenance=cohort.provenance)
    found = study_in_memory(one_each, imputations=2, design="observational", alike_in=["site"])
    (absent,) = comparison.balanced_comparison(found)
    assert "was given at one label of 'site' alone" in str(absent)


def test_the_other_limb_is_compared_on_that_limb(study_in_memory):
    cohort = plant(2, effect=better(0.3))
    other = cohort.visits.assign(limb="uninvolved", value=cohort.visits["value"] + 1.0)
    both = Cohort(
        cohort.patients,
        pd.concat([cohort.visits, other], ignore_index=True),
        reference="usual",
        provenance=cohort.provenance,
    )
    found = study_in_memory(both, imputations=2, design="observational", limb="uninvolved")
    assert found.balanced.limb == "uninvolved"
    assert found.balanced.means["estimate"].min() > 2.0


def test_usual_covariates_are_those_known_and_varying_and_curves_need_patients(cohort):
    assert balanced_for(cohort, None) == ["spline(age_years)", "sex"]
    few = with_ages(plant(2, patients=20))
    assert balanced_for(few, None) == ["age_years", "sex"]
    one_sex = with_ages(plant(2, patients=20)).patients.assign(sex="female", body_mass_kg=[70.0, *[np.nan] * 39])
    plain = Cohort(one_sex, few.visits, reference="usual")
    assert balanced_for(plain, None) == ["age_years"]
    assert balanced_for(plain, ["sex"]) == ["sex"]
    assert not_balanced(cohort, ["age_years"]) == ["sex"]


def test_more_than_three_protocols_are_counted(study_in_memory):
    protocols = ("usual", "early", "late", "slow", "fast")
    cohort = plant(2, protocols=protocols, patients=40, effect=better(0.4))
    found = study_in_memory(cohort, imputations=2, design="observational")
    (answer,) = comparison.answer(found)
    assert "For 3 of the 4 comparisons with usual the interval holds no difference" in answer.paragraphs[1]
    assert len(found.found.balanced) == 4
    with pytest.raises(ModelError, match=r"There is no covariate"):
        study_in_memory(cohort, imputations=2, design="observational", adjust_for=["nothing"])


def with_pain(cohort, size, seed=11):
    """Add a pain score at the same visits, by so much higher with early whatever the week."""
    rng = np.random.default_rng(seed)
    early = cohort.visits["patient_id"].str.startswith("e")
    after = cohort.visits["week"] > 0
    values = np.clip(np.round(4 + rng.normal(0, 1, len(early)) + size * (early & after)), 0, 10)
    pain = cohort.visits.assign(measure="pain", limb="none", value=values)
    visits = pd.concat([cohort.visits, pain], ignore_index=True)
    return Cohort(cohort.patients, visits, reference="usual", provenance=cohort.provenance)


@pytest.mark.parametrize(("size", "apart"), [(0.0, False), (1.5, True)])
def test_a_negative_control_warns_where_it_differs_and_proves_nothing_where_it_does_not(study_in_memory, size, apart):
    cohort = with_pain(plant(2, effect=better(0.3)), size)
    found = study_in_memory(cohort, imputations=2, design="observational", negative_control="pain")
    *_, control = comparison.balanced_comparison(found)
    said = str(control)
    assert said.startswith("Negative control: pain, balanced differences from usual at week 26 in points")
    assert ("something was not made alike" in said) == apart
    assert ("does not prove that all else was made alike" in said) != apart
    (answer,) = comparison.answer(found)
    assert ("The negative control, pain, differs too" in str(answer) + str(comparison.every_finding(found))) == apart


def test_a_negative_control_without_values_is_refused(study_in_memory):
    with pytest.raises(CohortError, match="holds no value of pain"):
        study_in_memory(plant(2), imputations=2, design="observational", negative_control="pain")
