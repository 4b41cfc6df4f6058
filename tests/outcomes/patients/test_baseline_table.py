"""The baseline table: denominators, quartiles, no p-values."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.outcomes.patients.baseline_table import ALL_PATIENTS, baseline_table


@pytest.fixture
def cohort():
    patients = pd.DataFrame(
        {
            "patient_id": list("abcdef"),
            "protocol": ["usual"] * 4 + ["early"] * 2,
            "sex": ["female", "male", None, "female", "male", "male"],
            "age_years": [20, 30, 40, 70, 25, np.nan],
            "smoker": [True, False, None, True, True, False],
            "remark": [f"text {i}" for i in range(6)],
        }
    )
    visits = pd.DataFrame(
        [("a", 0, "involved", 1.0), ("a", 0, "uninvolved", 2.0), ("b", -1, "involved", 3.0), ("c", 6, "involved", 9.0)],
        columns=["patient_id", "week", "limb", "value"],
    ).assign(measure="quadriceps_torque")
    return Cohort(patients, visits)


def test_numbers(cohort):
    """numpy.quantile's linear interpolation on 20, 30, 40, 70."""
    table = baseline_table(cohort).table.set_index(["variable", "protocol"])
    usual = table.loc[("age_years", "usual")]
    assert usual[["n", "missing", "mean", "median"]].tolist() == [4, 0, 40.0, 35.0]
    assert usual[["lower_quartile", "upper_quartile"]].tolist() == np.quantile([20, 30, 40, 70], [0.25, 0.75]).tolist()
    assert usual["standard_deviation"] == pytest.approx(np.std([20, 30, 40, 70], ddof=1))
    assert usual["unit"] == "years"
    early = table.loc[("age_years", "early")]
    assert early[["allocated", "n", "missing"]].tolist() == [2, 1, 1]
    assert np.isnan(early["standard_deviation"])


def test_shares_are_of_the_patients_with_a_value(cohort):
    table = baseline_table(cohort).table.set_index(["variable", "category", "protocol"])
    assert table.loc[("sex", "female", "usual"), ["n", "count", "share"]].tolist() == [3, 2, 2 / 3]
    assert table.loc[("sex", "female", "early"), ["n", "count", "share"]].tolist() == [2, 0, 0.0]
    assert table.loc[("sex", "male", ALL_PATIENTS), ["n", "count"]].tolist() == [5, 3]
    assert table.loc[("smoker", "True", "usual"), ["n", "count"]].tolist() == [3, 2]


def test_baselines_of_the_measures(cohort):
    table = baseline_table(cohort).table.set_index(["variable", "protocol"])
    involved = table.loc[("quadriceps_torque:involved", "usual")]
    assert involved[["allocated", "n", "missing", "mean"]].tolist() == [4, 2, 2, 2.0]
    assert involved["label"] == "Quadriceps torque, involved limb"
    assert table.loc[("quadriceps_torque:uninvolved", ALL_PATIENTS), "n"] == 1


def test_an_empty_group_is_missing_never_zero(cohort):
    patients = cohort.patients.assign(sex=cohort.patients["sex"].where(cohort.patients["protocol"] == "usual"))
    table = baseline_table(Cohort(patients, cohort.visits), covariates=["sex"]).table
    early = table[(table["protocol"] == "early") & (table["variable"] == "sex")]
    assert early["n"].eq(0).all()
    assert early["share"].isna().all()


def test_no_tests_and_what_was_left_out(cohort):
    found = baseline_table(cohort)
    assert not any("p_value" in name or name == "p" for name in found.table)
    assert found.table["variable"].nunique() == 6
    assert "Groups are described, not tested: a p-value here answers no question." in found.notes


def test_a_text_with_many_values_is_left_out(cohort):
    patients = pd.concat([cohort.patients] * 4, ignore_index=True)
    patients["patient_id"] = [f"P{i}" for i in range(24)]
    patients["remark"] = [f"text {i}" for i in range(24)]
    found = baseline_table(Cohort(patients, cohort.visits), covariates=["remark"], measures=[])
    assert found.table.empty
    assert "Remark: left out, a date or a text with more than 12 values." in found.notes
