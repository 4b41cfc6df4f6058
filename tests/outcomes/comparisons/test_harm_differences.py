"""Harms compared: kind by kind as Newcombe's intervals are, serious ones together, never a thrombosis with sore muscles."""

import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.outcomes import events_by_protocol, share_difference
from analysis.outcomes.comparisons.harm_differences import harm_differences
from analysis.outcomes.home_programme.events import SERIOUS


def cohort_of(events, serious=True):
    people = pd.DataFrame({"patient_id": [f"p{n}" for n in range(40)], "protocol": ["usual"] * 20 + ["early"] * 20})
    visits = pd.DataFrame({"patient_id": ["p0"], "week": [0.0], "measure": "pain", "limb": "none", "value": [3.0]})
    rows = pd.DataFrame(events, columns=["patient_id", "week", "event", "serious"])
    return Cohort(people, visits, events=rows if serious else rows.drop(columns="serious"))


EVENTS = [
    ("p0", 1, "deep vein thrombosis", True), ("p1", 1, "muscle soreness", False), ("p20", 1, "muscle soreness", False),
    ("p21", 2, "muscle soreness", False), ("p21", 3, "muscle soreness", False), ("p22", 3, "withdrew", False),
]  # fmt: skip


def test_each_kind_is_compared_by_patients_as_newcombe_says():
    found = harm_differences(events_by_protocol(cohort_of(EVENTS)), "usual").set_index("event")
    assert found.index.tolist() == [SERIOUS, "deep vein thrombosis", "muscle soreness"]
    sore = found.loc["muscle soreness"]
    expected = share_difference([2], [20], [1], [20]).iloc[0]
    assert sore[["difference", "lower", "upper"]].tolist() == expected[["difference", "lower", "upper"]].tolist()
    assert sore[["patients", "reference_patients"]].tolist() == [2, 1]
    assert found.loc[SERIOUS, ["patients", "reference_patients"]].tolist() == [0, 1]


def test_without_marks_a_thrombosis_is_serious_and_soreness_stays_apart():
    found = harm_differences(events_by_protocol(cohort_of(EVENTS, serious=False)), "usual")
    assert found["event"].tolist() == [SERIOUS, "deep vein thrombosis", "muscle soreness"]
    assert found.loc[found["event"] == SERIOUS, "reference_patients"].tolist() == [1]


@pytest.mark.parametrize("events", [None, []])
def test_nothing_recorded_or_nothing_happened_gives_no_difference_of_kinds(events):
    cohort = cohort_of(events or [])
    if events is None:
        cohort = Cohort(cohort.patients, cohort.visits)
    found = harm_differences(events_by_protocol(cohort), "usual")
    assert found["event"].unique().tolist() == ([] if events is None else [SERIOUS]) or found.empty
