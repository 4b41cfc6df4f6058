"""Derived measures, computed by hand."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort, check_cohort, torque_per_kg, visit_frame
from analysis.cohort.derived import measured_values
from analysis.errors import CohortError


def table(*rows):
    return pd.DataFrame(rows, columns=["patient_id", "week", "measure", "limb", "value"])


NM, MASS = "quadriceps_torque_nm", "body_mass"


def cohort_of(visits, **columns):
    ids = list(dict.fromkeys(visits["patient_id"]))
    return Cohort(pd.DataFrame({"patient_id": ids, "protocol": "usual", **columns}), visits)


def test_limb_symmetry_at_the_same_visit_and_missing_where_the_other_limb_is_not_above_zero(cohort):
    index = measured_values(cohort.visits, "limb_symmetry_index", "none")
    at_12 = index[(index["patient_id"] == "P1") & (index["week"] == 12)]["value"].item()
    assert at_12 == pytest.approx(100 * 1.6 / 2.0)
    visits = table(
        ("a", 0, "quadriceps_torque", "involved", 1.0), ("a", 0, "quadriceps_torque", "uninvolved", 0.0),
        ("a", 6, "quadriceps_torque", "involved", 1.0),
    )  # fmt: skip
    only = measured_values(visits, "limb_symmetry_index", "none")
    assert only["week"].tolist() == [0]
    assert only["value"].isna().all()


def test_symmetry_to_the_other_limb_before_does_not_flatter():
    # trade fact: LSI 90 % of a limb at 85 % of before is 76.5 % of the limb before
    visits = table(
        ("a", 0, "quadriceps_torque", "uninvolved", 2.0),
        ("a", 26, "quadriceps_torque", "uninvolved", 1.7),
        ("a", 26, "quadriceps_torque", "involved", 0.9 * 1.7),
    )
    cohort = cohort_of(visits, quadriceps_torque_pre_injury=[2.0])
    for measure, share in [
        ("limb_symmetry_index", 90.0), ("limb_symmetry_to_baseline", 76.5), ("limb_symmetry_to_pre_injury", 76.5)
    ]:  # fmt: skip
        assert visit_frame(cohort, measure)["value"].tolist() == pytest.approx([share]), measure


def test_the_other_limb_before_is_the_last_one_up_to_the_start():
    visits = table(
        ("a", 0, "quadriceps_torque", "uninvolved", 2.0), ("a", -4, "quadriceps_torque", "uninvolved", 2.5),
        ("a", 1, "quadriceps_torque", "uninvolved", 1.0), ("a", 26, "quadriceps_torque", "involved", 1.5),
    )  # fmt: skip
    assert visit_frame(cohort_of(visits), "limb_symmetry_to_baseline")["value"].tolist() == [75.0]


def test_symmetry_to_a_limb_before_injury_that_nobody_measured(cohort):
    with pytest.raises(CohortError, match="no torque from before the injury"):
        visit_frame(cohort, "limb_symmetry_to_pre_injury")


def test_arc_and_deficit(cohort):
    first = visit_frame(cohort, "arc_of_motion").iloc[0]
    assert (first["patient_id"], first["week"], first["value"]) == ("P1", 0, 90 - 6)
    deficit = visit_frame(cohort, "extension_deficit")
    assert deficit[deficit["patient_id"] == "P1"]["value"].tolist() == [6, 3, 0]
    straight = measured_values(table(("a", 0, "knee_extension", "involved", 0.0)), "extension_deficit", "involved")
    assert not np.signbit(straight["value"]).any()
    beyond = measured_values(table(("a", 0, "knee_extension", "involved", 4.0)), "extension_deficit", "involved")
    assert beyond["value"].tolist() == [0.0]


def test_torque_per_kg_takes_the_nearest_body_mass_and_says_which():
    visits = table(
        ("a", 0, NM, "involved", 160), ("a", 9, NM, "involved", 160), ("a", 26, NM, "involved", 160),
        ("a", 6, MASS, "none", 80), ("a", 12, MASS, "none", 64), ("b", 0, NM, "involved", 90), ("c", 0, NM, "involved", 90),
    )  # fmt: skip
    answer = torque_per_kg(cohort_of(visits, body_mass_kg=[100.0, 60.0, None]))
    assert answer["value"].round(12).tolist()[:4] == [2.0, 2.0, 2.5, 1.5]
    assert np.isnan(answer["value"].iloc[4])
    assert answer["body_mass_from"].tolist() == ["visit", "visit", "visit", "baseline", ""]
    assert answer["body_mass_week"].tolist()[:3] == [6, 6, 12]  # week 9 lies between: the earlier one


def test_body_masses_as_many_days_before_and_after_are_equally_near():
    """The earlier counts; in weeks, days over 7 are not exact and the later one won in a quarter of the cases."""
    near = [(day, apart) for day in range(1, 60) for apart in range(1, min(day, 12) + 1)]
    rows = []
    for day, apart in near:
        patient = f"{day:02d} {apart:02d}"
        rows += [
            (patient, day / 7, NM, "involved", 160), (patient, (day + apart) / 7, MASS, "none", 64),
            (patient, (day - apart) / 7, MASS, "none", 80),
        ]  # fmt: skip
    found = torque_per_kg(cohort_of(table(*rows))).set_index("patient_id")["value"]
    assert len(found) == len(near) == 642
    assert found[found != 2.0].index.tolist() == []


def test_body_masses_equally_near_in_a_file_whose_weeks_have_two_decimals():
    """Days 1 and 3 about day 2 are weeks 0.14, 0.43 and 0.29: 1.05 and 0.98 days apart, though one day both."""
    near = [(day, apart) for day in range(1, 60) for apart in range(1, min(day, 12) + 1)]
    rows = []
    for day, apart in near:
        patient = f"{day:02d} {apart:02d}"
        rows += [
            (patient, round(day / 7, 2), NM, "involved", 160), (patient, round((day + apart) / 7, 2), MASS, "none", 64),
            (patient, round((day - apart) / 7, 2), MASS, "none", 80),
        ]  # fmt: skip
    found = torque_per_kg(cohort_of(table(*rows))).set_index("patient_id")["value"]
    assert found[found != 2.0].index.tolist() == []


def test_torque_per_kg_of_the_baseline():
    visits = table(
        ("a", 26, NM, "involved", 160), ("a", -2, MASS, "none", 80), ("a", 26, MASS, "none", 64),
    )  # fmt: skip
    from_visit = torque_per_kg(cohort_of(visits), body_mass="baseline")
    assert from_visit[["value", "body_mass_from", "body_mass_week"]].to_numpy().tolist() == [[2.0, "baseline", -2.0]]
    from_table = torque_per_kg(cohort_of(visits, body_mass_kg=[100.0]), body_mass="baseline")
    assert from_table["value"].tolist() == [1.6]
    at_start = pd.concat([visits, table(("a", 0, MASS, "none", 50), ("a", 1, MASS, "none", 40))])
    on_the_day = torque_per_kg(cohort_of(at_start), body_mass="baseline")
    assert on_the_day[["value", "body_mass_week"]].to_numpy().tolist() == [[3.2, 0.0]]
    with pytest.raises(CohortError, match="no choice of body mass"):
        torque_per_kg(cohort_of(visits), body_mass="mean")


def test_a_cohort_in_newton_metres_answers_for_torque_per_kg_and_symmetry_and_is_never_stored_twice():
    visits = table(
        ("a", 0, NM, "involved", 120), ("a", 0, NM, "uninvolved", 160), ("a", 0, MASS, "none", 80),
    )  # fmt: skip
    cohort = cohort_of(visits)
    assert visit_frame(cohort, "quadriceps_torque")["value"].tolist() == [1.5]
    assert visit_frame(cohort, "limb_symmetry_index")["value"].tolist() == [75.0]
    assert check_cohort(cohort).passed
    twice = cohort_of(pd.concat([visits, table(("a", 0, "quadriceps_torque", "involved", 1.5))]))
    assert "stored in N·m and in N·m/kg" in str(check_cohort(twice))


def test_a_measure_twice_at_one_visit_is_refused():
    with pytest.raises(CohortError, match="comes twice at one visit") as caught:
        measured_values(table(("a", 6, "pain", "none", 1), ("a", 6, "pain", "none", 2)), "pain", "none")
    assert "patient a, week 6" in caught.value.where
