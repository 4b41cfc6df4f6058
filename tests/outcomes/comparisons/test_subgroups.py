"""Subgroups: a planted difference between groups is found, no difference is not; few patients and wrong groups are refused."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.comparisons.subgroups import subgroup_differences
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def cohort():
    return generate_cohort(patients=240, seed=1).observed


def planted(effect_by_sex, seed=3, patients=160):
    """Protocol early adds an effect by sex from week 6 on."""
    rng = np.random.default_rng(seed)
    people = pd.DataFrame({"patient_id": [f"p{n:03d}" for n in range(patients)]})
    people["protocol"] = pd.Categorical(rng.permutation(["usual", "early"] * (patients // 2)), ["usual", "early"])
    people["sex"] = rng.choice(["female", "male"], patients)
    people["age_years"] = rng.integers(18, 60, patients)
    level = rng.normal(50, 8, patients)
    rows = []
    for place, person in enumerate(people.itertuples()):
        for week in (0, 6, 12):
            gain = effect_by_sex[person.sex] if person.protocol == "early" and week else 0.0
            rows.append((person.patient_id, week, "ikdc", "none", level[place] + week + gain + rng.normal(0, 3)))
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "measure", "limb", "value"])
    return Cohort(people, visits)


def test_a_planted_difference_between_groups_is_found_and_none_is_not():
    there = subgroup_differences(planted({"female": 8.0, "male": 0.0}), "ikdc", "sex", week=12)
    by_group = there.table.set_index("group")["estimate"]
    assert by_group["female"] == pytest.approx(8.0, abs=2.0)
    assert by_group["male"] == pytest.approx(0.0, abs=2.0)
    assert there.interaction["p_value"].iloc[0] < 0.001
    same = subgroup_differences(planted({"female": 4.0, "male": 4.0}), "ikdc", "sex", week=12)
    assert same.interaction["p_value"].iloc[0] > 0.05
    assert (same.table["lower"] > 0).all()


@pytest.mark.slow
def test_false_interactions_are_as_frequent_as_the_level_says():
    """40 cohorts without one: at most 5 % and 4 standard errors."""
    p_values = [
        subgroup_differences(planted({"female": 4.0, "male": 4.0}, seed=seed, patients=120), "ikdc", "sex").interaction["p_value"][0]
        for seed in range(40)
    ]  # fmt: skip
    assert np.mean(np.array(p_values) < 0.05) <= 0.05 + 4 * np.sqrt(0.05 * 0.95 / 40)
    assert 0.3 < np.mean(p_values) < 0.7


def test_a_number_is_cut_where_it_is_said(cohort):
    found = subgroup_differences(cohort, "ikdc", "age_years 30", week=26)
    ages = cohort.patients.set_index("patient_id")["age_years"]
    seen = cohort.visits.query("measure == 'ikdc' and week == 26")["patient_id"]
    counted = found.table.drop_duplicates("group").set_index("group")
    young = int((ages[seen] < 30).sum())
    rows = found.table[found.table["group"] == "below 30"]
    assert rows["n"].sum() + counted.loc["below 30", "reference_n"] <= young
    assert found.table["group"].unique().tolist() == ["below 30", "30 or more"]


def test_groups_of_few_patients_are_shown_without_an_estimate_and_named(cohort):
    found = subgroup_differences(cohort, "ikdc", "graft", week=26)
    few = found.table[found.table["group"] == "quadriceps tendon"]
    assert few["estimate"].isna().all()
    assert (few["n"] > 0).all()
    assert any("fewer than 10 patients there: quadriceps tendon" in note for note in found.notes)


@pytest.mark.parametrize(
    ("by", "said"),
    [
        ("height", "There is no column 'height'"), ("protocol", "There is no column 'protocol'"),
        ("age_years", "'age_years' is a number and no cut is named"), ("sex 3", "'sex' is no number, so it has no cut"),
        ("age_years 300", "'age_years' makes 1 group"), ("procedure", "'procedure' makes 1 group"),
        ("age_years 17", "Fewer than two groups of 'age_years' have 10 patients"),
    ],
)  # fmt: skip
def test_what_makes_no_groups_is_refused(cohort, by, said):
    with pytest.raises(ModelError, match=said):
        subgroup_differences(cohort, "ikdc", by, week=26)


def test_one_protocol_has_nothing_to_compare(cohort):
    one = cohort.patients["protocol"] == "exercise only"
    ids = set(cohort.patients.loc[one, "patient_id"])
    alone = Cohort(cohort.patients[one], cohort.visits[cohort.visits["patient_id"].isin(ids)])
    with pytest.raises(ModelError, match="two protocols or more"):
        subgroup_differences(alone, "ikdc", "sex")
