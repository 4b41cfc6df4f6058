"""Harms with denominators; not recorded and none are told apart."""

import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.outcomes.home_programme.events import ANY, events_by_protocol

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
    assert table.loc[("early", ANY), ["patients", "events", "serious_patients"]].tolist() == [2, 3, 1]
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
    assert none.table["event"].tolist() == [ANY, ANY]
    assert none.table["events"].tolist() == [0, 0]
    assert none.table["upper"].gt(0).all()
    assert "Events were recorded, and none is on record." in none.notes


def test_events_without_flags_leave_them_missing():
    found = events_by_protocol(Cohort(PATIENTS, VISITS, events=EVENTS[["patient_id", "week", "event"]]))
    assert found.table[["serious_events", "related_patients"]].isna().all(axis=None)
    assert list(found.table)[:3] == ["protocol", "event", "harm"]


def test_a_withdrawal_is_listed_but_is_no_harm():
    events = EVENTS.assign(event=["skin irritation", "withdrawal", "withdrawal", "flare", "flare"])
    found = events_by_protocol(Cohort(PATIENTS, VISITS, events=events))
    table = found.table.set_index(["protocol", "event"])
    assert table.loc[("early", "withdrawal"), ["harm", "patients"]].tolist() == [False, 2]
    assert table.loc[("early", ANY), ["harm", "patients", "events"]].tolist() == [True, 1, 1]
    assert "Not a harm, listed but not in 'any harm': withdrawal." in found.notes
