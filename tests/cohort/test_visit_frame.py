"""One measure as one row a visit, with baseline and change."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort, visit_frame
from analysis.errors import CohortError


def test_rows_by_patient_and_week_with_the_columns_of_the_patient(cohort):
    frame = visit_frame(cohort, "pain")
    assert frame.columns.tolist() == [
        "patient_id", "week", "limb", "value", "baseline", "change", "protocol", "site", "age_years", "body_mass_kg", "smoker"
    ]  # fmt: skip
    assert frame["patient_id"].tolist() == ["P1"] * 3 + ["P2"] * 3 + ["P3"] * 3
    assert frame[frame["patient_id"] == "P2"][["week", "value", "baseline", "change"]].to_numpy().tolist() == [
        [0, 7, 7, 0], [6, 5, 7, -2], [12, 3, 7, -4]
    ]  # fmt: skip
    assert frame["protocol"].cat.categories.tolist() == ["usual", "early"]


def test_shuffled_visits_give_the_same_frame(cohort):
    shuffled = Cohort(cohort.patients, cohort.visits.sample(frac=1, random_state=1))
    pd.testing.assert_frame_equal(visit_frame(shuffled, "pain"), visit_frame(cohort, "pain"))


def test_the_baseline_is_the_last_value_at_or_before_the_start(cohort):
    visits = pd.DataFrame(
        {"patient_id": ["P1"] * 4 + ["P2"], "week": [-8, -2, 0, 6, 6], "measure": "pain", "limb": "none",
         "value": [9, 8, None, 5, 4]}
    )  # fmt: skip
    frame = visit_frame(Cohort(cohort.patients, visits), "pain")
    assert frame[frame["patient_id"] == "P1"]["baseline"].tolist() == [8] * 4
    assert np.isnan(frame[frame["patient_id"] == "P2"]["change"]).all()


def test_missing_cells_and_missing_rows_give_the_same_changes(cohort):
    empty = cohort.visits.assign(value=cohort.visits["value"].mask(cohort.visits["week"] == 6))
    without = cohort.visits[cohort.visits["week"] != 6]
    left = visit_frame(Cohort(cohort.patients, empty), "pain").dropna(subset="value")[["patient_id", "week", "change"]]
    right = visit_frame(Cohort(cohort.patients, without), "pain")[["patient_id", "week", "change"]]
    pd.testing.assert_frame_equal(left.reset_index(drop=True), right)


def test_the_other_limb_and_what_is_not_there(cohort):
    assert visit_frame(cohort, "quadriceps_torque", "uninvolved")["value"].tolist()[:3] == [2.0] * 3
    for wrong, said in [
        ({"measure": "strength"}, "no measure 'strength'"),
        ({"measure": "pain", "limb": "involved"}, "not taken on limb 'involved'"),
    ]:
        with pytest.raises(CohortError, match=said):
            visit_frame(cohort, **wrong)
