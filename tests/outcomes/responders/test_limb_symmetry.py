"""Limb symmetry and what it hides."""

import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import CohortError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.responders.limb_symmetry import BEFORE, HIDDEN, SYMMETRY, TORQUE, limb_symmetry


def test_symmetry_against_a_limb_that_weakened():
    """The other limb at 85 % of before: symmetry 90 % is 76.5 % of the limb before (trade facts, computed)."""
    rows = [
        ("a", 0, "uninvolved", 4.0),
        ("a", 26, "uninvolved", 3.4),
        ("a", 26, "involved", 3.06),
        ("b", 0, "uninvolved", 3.0),
        ("b", 26, "uninvolved", 3.0),
        ("b", 26, "involved", 2.9),
        ("c", 26, "involved", 2.0),
    ]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "limb", "value"]).assign(measure="quadriceps_torque")
    patients = pd.DataFrame({"patient_id": ["a", "b", "c"], "protocol": "usual"})
    found = limb_symmetry(
        those := Cohort(patients, visits),
        choose_endpoint(those, "quadriceps_torque", week=26, threshold=3.0, criterion="state"),
    )
    first = found.patients.set_index("patient_id").loc["a"]
    assert first["symmetry"] == pytest.approx(90)
    assert first["of_before"] == pytest.approx(76.5)
    counts = found.table.set_index("criterion")[["n", "responders"]]
    assert counts.loc[SYMMETRY].tolist() == [2, 2]
    assert counts.loc[BEFORE].tolist() == [2, 1]
    assert counts.loc[TORQUE].tolist() == [3, 1]
    assert counts.loc[HIDDEN].tolist() == [2, 1]
    assert found.differences.empty


def test_the_limb_before_is_the_last_value_up_to_the_start_and_needed_to_say_what_is_hidden():
    """a: 2.7 of 3.0 now, 2.7 of 3.6 before: 90 and 75 %. b: 80 % now, before not known: nothing is known to be hidden."""
    rows = [
        ("a", -4, "uninvolved", 2.0), ("a", 0, "uninvolved", 3.6), ("a", 26, "uninvolved", 3.0), ("a", 26, "involved", 2.7),
        ("b", 26, "uninvolved", 3.0), ("b", 26, "involved", 2.4),
    ]  # fmt: skip
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "limb", "value"]).assign(measure="quadriceps_torque")
    cohort = Cohort(pd.DataFrame({"patient_id": ["a", "b"], "protocol": "usual"}), visits)
    found = limb_symmetry(
        cohort, choose_endpoint(cohort, "quadriceps_torque", week=26, threshold=3.0, criterion="state")
    )
    assert found.patients["of_before"].iloc[0] == pytest.approx(75)
    counts = found.table.set_index("criterion")[["n", "responders"]]
    assert counts.loc[[SYMMETRY, BEFORE, HIDDEN]].to_numpy().tolist() == [[2, 1], [1, 0], [1, 1]]


def test_a_measure_of_no_limb(make_cohort):
    with pytest.raises(CohortError, match="not taken on limb 'uninvolved'"):
        limb_symmetry(
            those := make_cohort({"usual": [0]}),
            choose_endpoint(those, "ikdc", week=26, threshold=3.0, criterion="state"),
        )
