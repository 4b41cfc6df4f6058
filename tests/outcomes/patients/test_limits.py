"""Values that are limits are counted by measure, limb, week and patient, and said with how many were judged."""

import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.outcomes.patients.limits import LimitValues, limit_values

PATIENTS = pd.DataFrame({"patient_id": ["a", "b"], "protocol": ["usual", "early"], "body_mass_kg": [70.0, 80.0]})


def cohort(**columns):
    rows = [
        ("a", 0.0, "involved", 20.0),
        ("a", 6.0, "involved", 90.0),
        ("b", 0.0, "involved", 20.0),
        ("b", 10 / 7, "uninvolved", 140.0),
    ]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "limb", "value"])
    return Cohort(PATIENTS, visits.assign(measure="quadriceps_torque_nm", **columns))


BOUNDS = ["below", None, "below", "above"]


@pytest.mark.parametrize(
    ("chosen", "expected"),
    [
        ({}, LimitValues(4, 2, 1, (0.0, 10 / 7))),
        ({"limb": "involved"}, LimitValues(3, 2, 0, (0.0,))),
        ({"weeks": [6.0]}, LimitValues(1, 0, 0, ())),
        ({"patient": "b"}, LimitValues(2, 1, 1, (0.0, 10 / 7))),
    ],
)
def test_limits_are_counted(chosen, expected):
    assert limit_values(cohort(bound=BOUNDS), "quadriceps_torque_nm", **chosen) == expected


def test_a_measure_that_is_computed_has_the_limits_of_what_it_is_computed_from():
    found = limit_values(cohort(bound=BOUNDS), "quadriceps_torque", "involved")
    assert (found.judged, found.n) == (3, 2)
    assert limit_values(cohort(bound=BOUNDS), "limb_symmetry_index", "none").n == 3


def test_nothing_is_said_where_no_limit_could_have_been_recorded():
    assert limit_values(cohort(), "quadriceps_torque_nm") is None
    assert limit_values(cohort(bound=BOUNDS), "pain") is None


def test_it_is_said_in_a_sentence():
    assert LimitValues(4, 2, 1, (0.0, 10 / 7)).in_words("torque") == (
        "3 of 4 values of torque are limits (2 below, 1 above; week 0 and day 10), each taken as its value: the true values lie "
        "beyond it."
    )
    assert LimitValues(90, 1, 0, (6.0,)).in_words("pain") == (
        "1 of 90 values of pain is a limit (1 below; week 6), taken as its value: the true value lies beyond it."
    )
    assert LimitValues(90, 0, 0, ()).in_words("pain") == "None of the 90 values of pain is a limit."
    assert "(5 above; week 0 to week 26)" in LimitValues(9, 0, 5, (0.0, 2.0, 6.0, 12.0, 26.0)).in_words("pain")
