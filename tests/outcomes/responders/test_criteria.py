"""Per cent and state criteria."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.responders.responders import responders


def test_per_cent_of_the_baseline(make_cohort):
    cohort = make_cohort({"usual": [-2, -2, 0, -1]}, measure="pain", baselines=[8, 4, 0, 3])
    found = responders(cohort, "pain", week=26, threshold=30, criterion="percent")
    assert found.table[["n", "responders"]].to_numpy().tolist() == [[3, 2]]
    assert found.patients["amount"].tolist()[:2] == [25, 50]
    assert "1 of 4 patients have a baseline of 0, of which no per cent can be taken." in found.notes


def test_a_state_needs_no_baseline(make_cohort):
    cohort = make_cohort({"usual": [45, 20, 10], "early": [50, 40, None]}, baselines=[50, 50, None, 40, None, 60])
    found = responders(cohort, "ikdc", week=26, threshold=90, criterion="state")
    assert found.table[["n", "responders"]].to_numpy().tolist() == [[3, 1], [2, 2]]
    assert found.notes[0] == "Reached means a value of at least 90 points (given by the user), whatever the baseline."
    assert "Denominator: patients with a value at the week; the others are left out." in found.notes
    at = found.distribution.shares.query("threshold == 90")
    assert at["responders"].tolist() == [1, 2]


def test_a_state_of_a_measure_where_lower_is_better(make_cohort):
    cohort = make_cohort({"usual": [-4, -3, -1]}, measure="pain", baseline=5)
    found = responders(cohort, "pain", week=26, threshold=2, criterion="state")
    assert found.table["responders"].tolist() == [2]
    painless = responders(
        make_cohort({"usual": [-5]}, measure="pain", baseline=5), "pain", week=26, threshold=2, criterion="state"
    )
    assert not np.signbit(painless.patients["amount"].item())
    at = found.distribution.shares.set_index("threshold")["share"]
    assert at[2] == pytest.approx(2 / 3)
    assert at[1] == pytest.approx(1 / 3)
    assert "Each share counts the patients whose value is at most the threshold; read the whole curve." in (
        found.distribution.notes
    )


def test_a_state_can_be_asked_for_at_the_start(make_cohort):
    cohort = make_cohort({"usual": [0, 0]}, baselines=[95, 40])
    assert responders(cohort, "ikdc", week=0, threshold=90, criterion="state").table["responders"].tolist() == [1]


def test_limb_symmetry_of_90_per_cent():
    patients = pd.DataFrame({"patient_id": ["a", "b"], "protocol": "usual"})
    visits = pd.DataFrame(
        [("a", "involved", 1.8), ("a", "uninvolved", 2.0), ("b", "involved", 1.7), ("b", "uninvolved", 2.0)],
        columns=["patient_id", "limb", "value"],
    ).assign(week=26, measure="quadriceps_torque")
    found = responders(Cohort(patients, visits), "limb_symmetry_index", week=26, threshold=90, criterion="state")
    assert found.table[["n", "responders"]].to_numpy().tolist() == [[2, 1]]


def test_criteria_that_cannot_be_reached(make_cohort):
    cohort = make_cohort({"usual": [0]})
    with pytest.raises(ModelError, match=r"There is no criterion 'double'\.\n  what to do: Use one of"):
        responders(cohort, "ikdc", week=26, criterion="double")
    with pytest.raises(ModelError, match=r"The criterion 'state' needs a number to reach\."):
        responders(cohort, "ikdc", week=26, criterion="state")
    with pytest.raises(ModelError, match=r"An improvement of -30 per cent is none\."):
        responders(cohort, "ikdc", week=26, criterion="percent", threshold=-30)
    with pytest.raises(ModelError, match=r"Nobody can reach 120 points in ikdc .*\n  where: .*: 0 to 100"):
        responders(cohort, "ikdc", week=26, criterion="state", threshold=120)
