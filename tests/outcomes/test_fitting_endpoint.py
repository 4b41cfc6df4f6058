"""Which responder endpoint fits: by measure, procedure and what weeks count from; and a baseline from after surgery."""

from dataclasses import replace

import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.cohort.catalogue import load_catalogue
from analysis.errors import CohortError, ModelError
from analysis.outcomes import change_at_week, choose_endpoint, fitting_endpoint, responders
from analysis.outcomes.fitting_endpoint import known_endpoints
from synthetic_cohort import generate_cohort, list_scenarios

pytestmark = pytest.mark.filterwarnings("ignore:.*No accepted minimal important change")


def cohort_of(rows, procedure="ligament reconstruction", counted_from="surgery", measure="knee_flexion"):
    """One patient a row of {week: value}, every second one with the protocol early."""
    people = pd.DataFrame({"patient_id": [f"p{n}" for n in range(len(rows))]})
    people["protocol"] = pd.Categorical(["usual", "early"] * (len(rows) // 2), ["usual", "early"])
    people["procedure"] = procedure
    values = [(f"p{n}", week, measure, "involved", value) for n, row in enumerate(rows) for week, value in row.items()]
    visits = pd.DataFrame(values, columns=["patient_id", "week", "measure", "limb", "value"])
    return Cohort(people, visits, counted_from=counted_from)


@pytest.fixture(scope="module")
def made():
    return {name: generate_cohort(name, patients=40, seed=2).observed for name in list_scenarios()[::2]}


@pytest.mark.parametrize(
    ("scenario", "measure", "words"),
    [
        ("ligament reconstruction", "quadriceps_torque", "Limb symmetry index, quadriceps torque: at least 90 % at week 26"),
        ("ligament reconstruction", "limb_symmetry_index", "Limb symmetry index, quadriceps torque: at least 90 % at week 26"),
        ("ligament reconstruction", "knee_flexion", "Knee flexion, involved limb: at least 120 deg at week 26"),
        ("ligament reconstruction", "ikdc", "IKDC subjective knee score: a rise of at least"),
        ("knee replacement", "quadriceps_torque", "a rise of at least 0.37 N·m/kg from the first value after the start to week 26"),
        ("knee replacement", "knee_flexion", "at least 110 deg at week 26"),
        ("knee replacement", "pain", "Pain: a fall of at least"),
        ("patellofemoral pain", "quadriceps_torque", "from the last value before the start to week 26"),
        ("patellofemoral pain", "limb_symmetry_index", "at least 90 % at week 26"),
    ],
)  # fmt: skip
def test_the_endpoint_follows_measure_and_procedure(made, scenario, measure, words):
    assert words in fitting_endpoint(made[scenario], measure, week=26).words


def test_it_says_why_and_where_that_comes_from(made):
    found = fitting_endpoint(made["ligament reconstruction"], "quadriceps_torque", week=26)
    assert found.to_reach.name == "target in common use"
    assert found.why in responders(made["ligament reconstruction"], found).notes
    assert "torque falls with surgery" in found.why
    assert "Gokeler 2017" in found.why
    assert "read in the source" in found.why


def test_nothing_is_assumed_of_weeks_of_which_nobody_said_what_they_count_from(made):
    for counted_from in (None, "programme"):
        cohort = replace(made["ligament reconstruction"], counted_from=counted_from)
        found = fitting_endpoint(cohort, "quadriceps_torque", week=26)
        assert (found.measure.name, found.criterion, found.why) == ("quadriceps_torque", "improvement", "")
        assert fitting_endpoint(cohort, "limb_symmetry_index", week=26).criterion == "state"


def test_several_procedures_have_no_criterion_in_common(made):
    cohort = made["ligament reconstruction"]
    mixed = cohort.patients["procedure"].astype("str").mask(cohort.patients.index < 9, "meniscus surgery")
    found = fitting_endpoint(replace(cohort, patients=cohort.patients.assign(procedure=mixed)), "knee_flexion", week=26)
    assert found.criterion == "improvement"


def test_what_the_caller_names_goes_before_the_catalogue(made):
    found = fitting_endpoint(made["ligament reconstruction"], "limb_symmetry_index", week=26, threshold=80)
    assert (found.to_reach.value, found.to_reach.name, found.criterion) == (80, "given by the user", "state")
    other = fitting_endpoint(made["knee replacement"], "quadriceps_torque", week=26, baseline="last before start")
    assert "from the last value before the start" in other.words


@pytest.mark.parametrize("measure", ["quadriceps_torque", "knee_flexion", "knee_extension", "pain"])
def test_a_threshold_that_could_be_an_improvement_or_a_state_is_asked_about(made, measure):
    with pytest.raises(ModelError, match="could be an improvement or a state") as told:
        fitting_endpoint(made["ligament reconstruction"], measure, week=26, threshold=10)
    assert "Name the criterion with it" in str(told.value)


def test_the_limb_that_was_not_operated_on_has_no_state_to_regain(made):
    found = fitting_endpoint(made["ligament reconstruction"], "quadriceps_torque", week=26, limb="uninvolved")
    assert (found.measure.name, found.criterion) == ("quadriceps_torque", "improvement")


def test_extension_is_set_against_the_other_knee_where_it_was_measured():
    one_side = cohort_of([{0: 0, 12: -5}, {0: 1, 12: -2}], measure="knee_extension")
    found = fitting_endpoint(one_side, "knee_extension", week=12)
    assert (found.measure.name, found.level_words) == ("knee_extension", "within 3 deg of 0")
    assert "the other knee, to compare with, was not measured" in found.why
    other = one_side.visits.assign(limb="uninvolved", value=[4.0, 3.0, 3.0, 2.0])
    both = replace(one_side, visits=pd.concat([one_side.visits.astype({"limb": "str"}), other]))
    found = fitting_endpoint(both, "knee_extension", week=12)
    assert found.measure.name == "extension_side_difference"
    assert responders(both, found).patients["amount"].tolist() == [-8.0, -4.0]


def test_every_entry_can_be_chosen(made):
    """No entry names a measure, limit or reason that the kit cannot use."""
    catalogue = load_catalogue()
    for entry in known_endpoints():
        for name in (*entry.measures, *([entry.count] if entry.count else [])):
            assert name in catalogue
        counted = catalogue[entry.count or entry.measures[0]]
        if entry.criterion == "state":
            assert counted.lowest <= entry.threshold <= counted.highest
        else:
            assert counted.has_threshold
        assert entry.mark in "VMP"
        assert ("common practice, no source" in entry.source) is (entry.mark == "P")


def test_a_change_from_the_first_visit_after_the_start_counts_from_there():
    cohort = cohort_of([{0: 140, 2: 60, 12: 100}, {0: 140, 6: 90, 12: 95}, {0: 140, 12: 120}, {2: 70, 6: 80}])
    endpoint = choose_endpoint(cohort, "knee_flexion", week=12, threshold=20, baseline="first after start")
    assert endpoint.words.startswith(
        "Knee flexion, involved limb: a rise of at least 20 deg from the first value after the start to week 12"
    )
    patients = change_at_week(cohort, endpoint)
    assert patients["improvement"].fillna(-1).tolist() == [40.0, 5.0, -1, -1]
    assert patients["status"].tolist() == ["seen", "seen", "seen, no baseline", "not seen"]
    assert responders(cohort, endpoint).table[["n", "responders"]].values.tolist() == [[1, 1], [1, 0]]


def test_a_state_counts_those_without_a_baseline_and_means_are_of_values():
    cohort = cohort_of([{12: 100}, {12: 120}, {12: 130}, {0: 140, 12: 110}])
    found = responders(cohort, fitting_endpoint(cohort, "knee_flexion", week=12))
    assert found.table[["n", "responders"]].values.tolist() == [[2, 1], [2, 1]]
    assert found.mean_improvement["mean"].tolist() == [115.0, 115.0]
    assert found.endpoint.when_words == "at week 12"


def test_what_cannot_be_chosen_is_explained(made):
    with pytest.raises(CohortError, match="has no threshold of change"):
        fitting_endpoint(made["patellofemoral pain"], "quadriceps_torque_nm", week=26)
    with pytest.raises(ModelError, match="There is no baseline rule 'week 2'"):
        choose_endpoint(made["knee replacement"], "pain", week=26, baseline="week 2")
    with pytest.raises(ModelError, match="Nobody can reach 900 %"):
        fitting_endpoint(made["ligament reconstruction"], "limb_symmetry_index", week=26, threshold=900)
