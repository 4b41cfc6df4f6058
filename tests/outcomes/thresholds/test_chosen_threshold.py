"""The catalogue's thresholds chosen by procedure and follow-up."""

import pandas as pd
import pytest

from analysis.cohort import Cohort, Measure, Threshold, load_catalogue
from analysis.errors import CohortError, CohortWarning
from analysis.outcomes.thresholds.chosen_threshold import choose_threshold, follow_up_weeks, published_thresholds

SCORE = Measure(
    "score",
    "Score",
    "points",
    "higher is better",
    thresholds=(
        Threshold(9, "MDC", "athletes", "ligament reconstruction", "test and retest"),
        Threshold(5, "MIC", "athletes", "ligament reconstruction", "6 months"),
        Threshold(7, "MIC", "athletes", "ligament reconstruction", "2 years"),
        Threshold(11, "MIC", "older people", "knee replacement", "12 months"),
        Threshold(1, "MIC", "older people", "ligament reconstruction", "12 months", accepted=False, note="odd"),
    ),
)


def cohort(*procedures):
    patients = pd.DataFrame({"patient_id": [f"P{i}" for i in range(4)], "protocol": "usual"})
    if procedures:
        patients["procedure"] = [procedures[i % len(procedures)] for i in range(4)]
    visits = pd.DataFrame({"patient_id": ["P0"], "week": 0, "measure": "score", "limb": "none", "value": 1})
    return Cohort(patients, visits, measures=load_catalogue().with_measures(SCORE))


@pytest.mark.parametrize(
    ("procedure", "week", "value"),
    [
        ("ligament reconstruction", None, 5),
        ("ligament reconstruction", 26, 5),
        ("ligament reconstruction", 104, 7),
        ("knee replacement", 26, 11),
    ],
)
def test_procedure_then_follow_up_decide(procedure, week, value):
    chosen = choose_threshold(cohort(procedure), "score", week=week)
    assert chosen.value == value
    assert not chosen.caution


def test_a_default_from_another_population_warns():
    with pytest.warns(CohortWarning, match="Score: The threshold was found in athletes, not named as meniscus surgery"):
        chosen = choose_threshold(cohort("meniscus surgery"), "score", week=26)
    assert chosen.value == 5
    assert chosen.caution
    assert published_thresholds(cohort("meniscus surgery"), "score", week=26)["value"].iloc[0] == 5  # a list warns not


def test_an_entry_of_the_same_procedure_is_passed_without_a_warning():
    detectable = SCORE.thresholds[0]
    assert choose_threshold(cohort("ligament reconstruction"), "score", detectable).value == 9
    with pytest.warns(CohortWarning, match="several procedures"):
        choose_threshold(cohort("ligament reconstruction", "knee replacement"), "score", detectable)


def test_several_procedures_are_cautioned():
    chosen = choose_threshold(cohort("ligament reconstruction", "knee replacement"), "score")
    assert chosen.caution.endswith("several procedures: ligament reconstruction, knee replacement.")


def test_the_list_puts_the_default_first_and_what_was_not_accepted_last():
    table = published_thresholds(cohort("ligament reconstruction"), "score", week=104)
    assert table["value"].tolist() == [7, 5, 11, 9, 1]
    assert table["default"].tolist() == [True, False, False, False, False]
    assert table["accepted"].tolist() == [True, True, True, True, False]


def test_a_measure_without_threshold():
    none = cohort("ligament reconstruction")
    assert published_thresholds(none, "thigh_girth").empty
    with pytest.raises(CohortError, match=r"'thigh_girth' has no threshold of change\.\n.*\n  what to do: Give"):
        choose_threshold(none, "thigh_girth")


def test_follow_up_in_words():
    assert follow_up_weeks("12 months") == pytest.approx(52.18, abs=0.01)
    assert follow_up_weeks("after 1.5 years") == pytest.approx(78.27, abs=0.01)
    assert pd.isna(follow_up_weeks("end of each trial"))
