"""Harms with denominators; not recorded and none are told apart."""

import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.outcomes.home_programme.events import OTHER, SERIOUS, events_by_protocol

PATIENTS = pd.DataFrame({"patient_id": list("abcde"), "protocol": ["usual", "usual", "early", "early", "early"]})
VISITS = pd.DataFrame({"patient_id": ["a"], "week": 0, "measure": "pain", "limb": "none", "value": 5})
EVENTS = pd.DataFrame(
    {
        "patient_id": ["c", "c", "d", "a", "z"],
        "week": [1, 2, 3, 4, 5],
        "event": ["skin irritation", "skin irritation", "re-injury", "skin irritation", "flare"],
        "serious": [False, False, True, False, False],
        "related": [True, True, False, None, None],
    }
)


def test_patients_and_events_are_counted_apart():
    found = events_by_protocol(Cohort(PATIENTS, VISITS, events=EVENTS))
    table = found.table.set_index(["protocol", "event"])
    early = table.loc[("early", "skin irritation")]
    assert early[["allocated", "patients", "events"]].tolist() == [3, 1, 2]
    assert early[["serious_events", "related_patients", "related_events"]].tolist() == [0, 1, 2]
    assert early["share"] == pytest.approx(1 / 3)
    assert table.loc[("early", OTHER), ["patients", "events", "serious_patients"]].tolist() == [1, 2, 0]
    assert table.loc[("early", SERIOUS), ["patients", "events", "serious_patients"]].tolist() == [1, 1, 1]
    assert table.loc[("usual", "re-injury"), ["patients", "events", "share"]].tolist() == [0, 0, 0.0]
    assert "1 events of patients who are not in the cohort are left out." in found.notes
    assert "For 1 of 4 events it was not said whether they were related." in found.notes


def test_not_recorded_is_not_none():
    unknown = events_by_protocol(Cohort(PATIENTS, VISITS))
    assert not unknown.recorded
    assert unknown.table.empty
    assert unknown.notes == ("Events were not recorded: this says nothing about harms.",)
    none = events_by_protocol(Cohort(PATIENTS, VISITS, events=EVENTS.iloc[:0]))
    assert none.recorded
    assert none.table["event"].tolist() == [SERIOUS, OTHER] * 2
    assert none.table["events"].tolist() == [0] * 4
    assert none.table["upper"].gt(0).all()
    assert "Events were recorded, and none is on record." in none.notes


def test_events_without_flags_leave_them_missing():
    found = events_by_protocol(Cohort(PATIENTS, VISITS, events=EVENTS[["patient_id", "week", "event"]]))
    assert found.table[["serious_events", "related_patients"]].isna().all(axis=None)
    table = found.table.set_index(["protocol", "event"])
    assert table.loc[("early", SERIOUS), "patients"] == 1  # a re-injury is so by its name
    assert list(found.table)[:3] == ["protocol", "event", "harm"]


def test_a_withdrawal_is_listed_but_is_no_harm():
    events = EVENTS.assign(event=["skin irritation", "withdrawal", "withdrawal", "flare", "flare"])
    found = events_by_protocol(Cohort(PATIENTS, VISITS, events=events))
    table = found.table.set_index(["protocol", "event"])
    assert table.loc[("early", "withdrawal"), ["harm", "patients"]].tolist() == [False, 2]
    assert table.loc[("early", OTHER), ["harm", "patients", "events"]].tolist() == [True, 1, 1]
    assert "Not a harm, listed alone: withdrawal." in found.notes


@pytest.mark.parametrize(
    ("event", "marked", "serious"),
    [
        ("deep vein thrombosis", False, True), ("Muscle soreness", False, False), ("Muscle soreness", True, True),
        ("skin irritation", None, False), ("Wound INFECTION", None, True), ("operation for stiffness", None, True),
    ],
)  # fmt: skip
def test_serious_is_what_was_marked_or_is_so_by_its_name(event, marked, serious):
    events = pd.DataFrame(
        {"patient_id": ["a"], "week": [3.0], "event": [event], "serious": pd.array([marked], dtype="boolean")}
    )
    table = events_by_protocol(Cohort(PATIENTS, VISITS, events=events)).table.set_index("event")
    assert int(table.loc[SERIOUS, "patients"].sum()) == int(serious)
    assert int(table.loc[OTHER, "patients"].sum()) == int(not serious)


def test_no_row_counts_serious_and_other_harms_together():
    found = events_by_protocol(Cohort(PATIENTS, VISITS, events=EVENTS)).table
    sums = found[found["event"].isin([SERIOUS, OTHER])].groupby("event")["events"].sum()
    kinds = found[~found["event"].isin([SERIOUS, OTHER]) & found["harm"]]["events"].sum()
    assert sums.sum() == kinds
    assert (sums < kinds).all()
