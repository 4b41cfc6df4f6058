"""Courses of adherence, class by class, and the share kept beside them."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.home_programme.adherence_classes import CLASSES, adherence_classes

from .cohort_of_sessions import cohort_of_sessions, weeks_done

DONE = {
    "never started": [0, 0, 0, 0, 0, 0],
    "stopped": [5, 5, 5, 5, 0, 0],
    "falling": [5, 5, 5, 4, 4, 4],
    "low": [2, 2, 1, 2, 2, 2],
    "middle": [3, 3, 3, 3, 3, 3],
    "high": [5, 4, 4, 4, 4, 5],
}


@pytest.fixture
def cohort():
    entries = [row for name, done in DONE.items() for row in weeks_done(name, done)]
    entries += weeks_done("more", [7] * 6) + weeks_done("short", [5, 1])
    protocols = dict.fromkeys([*DONE, "more", "unknown"], "usual") | {"short": "early"}
    return cohort_of_sessions(entries, protocols)


def test_each_course_has_its_class(cohort):
    found = adherence_classes(cohort).patients.set_index("patient_id")
    assert {name: found.loc[name, "adherence_class"] for name in DONE} == {name: name for name in DONE}
    assert found.loc["more", ["adherence_class", "share_of_sessions"]].tolist() == ["high", 1.4]
    assert found.loc["short", "adherence_class"] == "middle"  # two weeks have no beginning and end
    assert found.loc["falling", ["first_third", "last_third"]].tolist() == [1.0, 0.8]
    assert pd.isna(found.loc["unknown", "adherence_class"])


def test_shares_carry_their_denominator(cohort):
    found = adherence_classes(cohort)
    usual = found.table[found.table["protocol"] == "usual"].set_index("adherence_class")
    assert usual.index.tolist() == list(CLASSES)
    assert usual["n"].unique().tolist() == [7]
    assert usual.loc["high", ["patients", "share"]].tolist() == [2, 2 / 7]
    early = found.table[found.table["protocol"] == "early"].set_index("adherence_class")
    assert early["n"].unique().tolist() == [1]
    assert early["patients"].sum() == 1
    assert "Of 9 patients 1 has no week with sessions prescribed and recorded." in found.notes


def test_limits_are_choices_that_move_patients(cohort):
    found = adherence_classes(cohort, limits=(0.3, 0.6), fall=0.5).patients.set_index("patient_id")["adherence_class"]
    assert found[["falling", "low", "middle"]].tolist() == ["high", "middle", "high"]


def test_who_is_near_a_limit_is_counted(cohort):
    """falling: 27 of 30 = 0.9; low: 11 of 30; middle 0.6; high: 26 of 30 = 0.867; more: 1.4; short: 0.6."""
    table = adherence_classes(cohort, limits=(0.5, 0.85)).description.set_index("adherence_class")
    assert table.loc["high", "near_a_limit"] == 1
    assert table.loc["falling", "near_a_limit"] == 1
    assert table.loc["low", ["patients", "near_a_limit"]].tolist() == [1, 0]
    assert table.loc["middle", "rule"] == "50 % to below 85 %"


def test_characteristics_by_class(cohort):
    people = cohort.patients.assign(age_years=np.arange(9.0) + 20, sex=["female", "male"] * 4 + ["male"])
    found = adherence_classes(
        Cohort(people, cohort.visits, sessions=cohort.sessions), characteristics=["age_years", "sex"]
    )
    table = found.description.set_index("adherence_class")
    assert table.loc["high", "age_years, median"] == 25.5
    assert table.loc["high", "sex female, share"] == 0.5


def test_nobody_in_a_class_is_missing_in_its_description(cohort):
    sessions = cohort.sessions[cohort.sessions["patient_id"] == "high"]
    found = adherence_classes(Cohort(cohort.patients, cohort.visits, sessions=sessions))
    row = found.description.set_index("adherence_class").loc["low"]
    assert row["patients"] == 0
    assert np.isnan(row["share_of_sessions"])
    early = found.table[found.table["protocol"] == "early"]
    assert early["n"].tolist() == [0] * 6
    assert early["share"].isna().all()


def test_bad_choices_are_explained(cohort):
    with pytest.raises(ModelError, match=r"limits 0\.8, 0\.5 do not divide"):
        adherence_classes(cohort, limits=(0.8, 0.5))
    with pytest.raises(ModelError, match="A fall of 0 is none"):
        adherence_classes(cohort, fall=0)
    with pytest.raises(ModelError, match="no characteristic 'height'"):
        adherence_classes(cohort, characteristics=["height"])
    not_recorded = adherence_classes(Cohort(cohort.patients, cohort.visits))
    assert not_recorded.notes == ("Home sessions were not recorded: nothing can be said about adherence.",)
