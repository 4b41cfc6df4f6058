"""A state of several measures together: all of them at one visit, nobody judged by a part."""

import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import CohortError, ModelError
from analysis.outcomes import responders, with_states_together

ROWS = [
    ("a", "pain", "none", 2), ("a", "ikdc", "none", 80), ("a", "knee_extension", "involved", -2),
    ("b", "pain", "none", 4), ("b", "ikdc", "none", 80), ("b", "knee_extension", "involved", 0),
    ("c", "pain", "none", 0), ("c", "ikdc", "none", 90), ("c", "knee_extension", "involved", 4),
    ("d", "pain", "none", 9), ("d", "ikdc", "none", 10),
]  # fmt: skip


@pytest.fixture
def cohort():
    people = pd.DataFrame({"patient_id": list("abcd"), "protocol": ["usual", "early", "usual", "early"]})
    visits = pd.DataFrame(ROWS, columns=["patient_id", "measure", "limb", "value"]).assign(week=12.0)
    return Cohort(people, visits)


def counted(cohort, states):
    both = with_states_together(cohort, states)
    found = responders(both, "states_together", week=12, criterion="state", threshold=1)
    return found.patients.set_index("patient_id")["responder"].astype(object).where(lambda one: one.notna(), None)


def test_all_must_be_reached_and_all_measured(cohort):
    assert counted(cohort, ["pain 3", "ikdc 75"]).to_dict() == {"a": True, "b": False, "c": True, "d": False}
    three = counted(cohort, ["pain 3", "ikdc 75", "knee_extension -3"])
    assert three.to_dict() == {"a": True, "b": False, "c": False, "d": None}


def test_the_order_of_states_and_the_written_side_do_not_matter(cohort):
    one = counted(cohort, ["pain 3", "ikdc 75"])
    assert counted(cohort, ["ikdc >= 75", "pain <= 3"]).to_dict() == one.to_dict()


def test_it_is_said_in_words(cohort):
    both = with_states_together(cohort, ["pain 3", "ikdc 75"])
    found = responders(both, "states_together", week=12, criterion="state", threshold=1)
    assert found.endpoint.words == ("All 2 states: reached at week 12; patients not seen then are left out.")
    assert found.notes[:2] == (
        "All at one visit: Pain: 3 points or less; IKDC subjective knee score: 75 points or more.",
        "Who lacks a value of any part at the visit is not judged.",
    )


def test_the_cohort_given_stays_as_it_was(cohort):
    before = cohort.visits.copy()
    with_states_together(cohort, ["pain 3", "ikdc 75"])
    pd.testing.assert_frame_equal(cohort.visits, before)
    assert "states_together" not in cohort.measures


@pytest.mark.parametrize(
    ("states", "words"),
    [
        (["pain 3"], "One state is named to be reached together"),
        ([], "No states are named to be reached together"),
        (["pain 3", "ikdc"], "'ikdc' names no state"),
        (["pain >= 3", "ikdc 75"], "'pain >= 3' asks for the worse side: of pain, lower is better"),
        (["pain 3", "ikdc 750"], "Nobody can reach 750 points"),
    ],
)
def test_what_is_no_state_is_refused(cohort, states, words):
    with pytest.raises(ModelError, match=words):
        with_states_together(cohort, states)


def test_an_unknown_measure_and_visits_without_all_are_refused(cohort):
    with pytest.raises(CohortError, match="There is no measure 'strength'"):
        with_states_together(cohort, ["pain 3", "strength 90"])
    visits = cohort.visits.assign(week=cohort.visits["week"] + (cohort.visits["measure"] == "ikdc"))
    with pytest.raises(ModelError, match="At no visit was everything measured"):
        with_states_together(Cohort(cohort.patients, visits), ["pain 3", "ikdc 75"])
