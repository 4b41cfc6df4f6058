"""Harms beside the sessions done, week by week."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.cohort import Cohort
from analysis.cohort.modalities import NMES, TENS
from analysis.cohort.session_log import programme_week
from analysis.outcomes.home_programme.events_by_week import events_by_week

from .cohort_of_sessions import cohort_of_sessions, weeks_done

EVENTS = pd.DataFrame(
    [
        ("a", 1.0, "skin irritation", False, True),  # day 7: the second programme week begins
        ("a", 1.3, "muscle soreness", False, True),  # falls in week 2
        ("a", 2.0, "withdrew", False, False),
        ("b", 2.0, "flare", True, False),
        ("b", 3.0, "flare", False, False),  # week 4: no entry that week
        ("c", 9.0, "re-injury", True, False),  # after the programme
    ],
    columns=["patient_id", "week", "event", "serious", "related"],
)
ENTRIES = [*weeks_done("a", [5, 2, 0, 1]), *weeks_done("b", [4, np.nan, 3]), *weeks_done("c", [5, 5])]
PROTOCOLS = {"a": "usual", "b": "usual", "c": "early"}


@pytest.fixture
def found():
    return events_by_week(cohort_of_sessions(ENTRIES, PROTOCOLS, events=EVENTS))


def test_by_week(found):
    table = found.table.set_index(["protocol", "week"])
    assert table.loc[("usual", 1), ["n", "sessions_prescribed", "sessions_done", "events"]].tolist() == [2, 10, 9, 0]
    assert table.loc[("usual", 2), ["n", "sessions_done", "patients", "events", "related"]].tolist() == [2, 2, 1, 2, 2]
    assert table.loc[("usual", 2), "share_of_sessions"] == 0.4  # unknown of b left out above and below
    assert table.loc[("usual", 3), ["events", "serious"]].tolist() == [1, 1]  # a withdrawal is no harm
    assert table.loc[("usual", 4), ["n", "events", "outside_record"]].tolist() == [1, 0, 1]


def test_rates_have_exact_limits(found):
    """3 events in 7 patient-weeks: exact Poisson limits of a count of 3 are 0.6187 and 8.7673 (any table of them)."""
    usual = found.overall.set_index("protocol").loc["usual"]
    assert usual[["patient_weeks", "patients", "events"]].tolist() == [7, 2, 3]
    assert usual["per_100_patient_weeks"] == pytest.approx(300 / 7)
    assert usual["lower"] == pytest.approx(61.87 / 7, rel=1e-4)
    assert usual["upper"] == pytest.approx(876.73 / 7, rel=1e-4)
    assert usual["per_1000_sessions"] == pytest.approx(3000 / 15)
    early = found.overall.set_index("protocol").loc["early"]
    assert early[["events", "lower", "after_programme"]].tolist() == [0, 0, 1]
    assert early["upper"] == pytest.approx(100 * 3.6889 / 2, rel=1e-4)


DAYS = [("a", 0, 1), ("a", 6, 1), ("a", 7, 2), ("a", 13, 2), ("a", 14, 3), ("b", 27, 4)]


@pytest.mark.parametrize(("patient", "day", "week"), DAYS)
def test_sessions_and_events_of_a_day_are_in_the_same_week(patient, day, week):
    """Days 0 to 6 are week 1, for sessions and for harms."""
    assert programme_week(pd.Series([day])).tolist() == [week]
    events = pd.DataFrame({"patient_id": [patient], "week": [day / 7], "event": ["flare"]})
    entries = [*weeks_done("a", [5, 5, 5, 5]), *weeks_done("b", [5, 5, 5, 5])]
    found = events_by_week(cohort_of_sessions(entries, {"a": "usual", "b": "usual"}, events=events)).table
    assert found.set_index("week")["events"].to_dict() == {k: int(k == week) for k in (1, 2, 3, 4)}


def test_no_harm_is_dropped_in_silence():
    """Before the start, without a week, in a week without an entry, after the programme, and under no programme."""
    events = pd.DataFrame(
        [("a", -1.0), ("a", None), ("b", 3.5), ("a", 0.0), ("a", 4.0), ("c", 12.0), ("d", 1.0), ("nobody", 1.0)],
        columns=["patient_id", "week"],
    ).assign(event="flare")
    cohort = cohort_of_sessions(ENTRIES, PROTOCOLS | {"d": "none"}, events=events)
    found = events_by_week(cohort)
    overall = found.overall.set_index("protocol")
    columns = ["events", "after_programme", "outside_record"]
    assert overall.loc["usual", columns].tolist() == [1, 1, 3]
    assert overall.loc["early", columns].tolist() == [0, 1, 0]
    assert overall.loc["none", columns].tolist() == [0, 0, 1]
    assert overall.loc["none", "patient_weeks"] == 0
    assert np.isnan(
        overall.loc["none", ["per_100_patient_weeks", "lower", "upper", "per_1000_sessions"]].astype(float)
    ).all()
    assert (
        "4 of 7 harms are outside the record and not in the rate: 1 before the start, 1 without a week, 2 in a week "
        "without an entry of the patient."
    ) in found.notes
    assert "Of 7 harms 2 came after the last programme week of the protocol and are not in the rate." in found.notes
    assert "1 event of patients who are not in the cohort is left out." in found.notes


def test_a_rate_a_session_counts_only_weeks_whose_sessions_are_known():
    """b: 3 harms in week 2, whose sessions are unknown; 1 in week 3, with 5 sessions; a did 5, 2, 0, 1."""
    entries = [*weeks_done("a", [5, 2, 0, 1]), *weeks_done("b", [4, np.nan, 5])]
    events = pd.DataFrame({"patient_id": "b", "week": [1.0, 1.2, 1.9, 2.5], "event": "flare"})
    overall = events_by_week(cohort_of_sessions(entries, {"a": "u", "b": "u"}, events=events)).overall.iloc[0]
    assert overall[["events", "patient_weeks"]].tolist() == [4, 7]
    assert overall[["sessions_done", "events_with_sessions"]].tolist() == [17, 1]
    assert overall["per_1000_sessions"] == pytest.approx(1000 / 17)


def test_one_of_two_modalities_unknown_leaves_the_week_out_of_the_rate_a_session():
    entries = [
        *weeks_done("a", [5, 4]),
        *weeks_done("a", [np.nan, 3], modality=NMES),
    ]
    events = pd.DataFrame({"patient_id": "a", "week": [0.0, 1.0], "event": "flare"})
    overall = events_by_week(cohort_of_sessions(entries, {"a": "u"}, events=events)).overall.iloc[0]
    assert overall[["events", "events_with_sessions", "sessions_done"]].tolist() == [2, 1, 7]


HARMS = st.lists(
    st.tuples(
        st.sampled_from("abcdx"),
        st.one_of(st.none(), st.integers(-30, 90).map(lambda day: day / 7), st.floats(-5, 12)),
        st.sampled_from(["flare", "withdrew", "re-injury"]),
    ),
    max_size=12,
)
DONE = st.lists(st.sampled_from([None, np.nan, 0.0, 3.0, 5.0]), max_size=8)


@settings(max_examples=10, suppress_health_check=[HealthCheck.too_slow])
@given(HARMS, DONE, DONE, DONE)
def test_counted_after_and_outside_are_all_harms(harms, one, two, three):
    entries = [
        *weeks_done("a", one),
        *weeks_done("b", two),
        *weeks_done("c", three, modality=NMES),
    ]
    entries = entries or weeks_done("a", [5])
    events = pd.DataFrame(harms, columns=["patient_id", "week", "event"]).astype({"week": "float64"})
    protocols = {"a": "usual", "b": "usual", "c": "early", "d": "none"}
    found = events_by_week(cohort_of_sessions(entries, protocols, events=events))
    wanted = dict.fromkeys(("usual", "early", "none"), 0)
    for patient, _, event in harms:
        if patient in protocols and event != "withdrew":
            wanted[protocols[patient]] += 1
    overall = found.overall.set_index("protocol")
    classes = overall[["events", "after_programme", "outside_record"]]
    assert classes.sum(axis=1).to_dict() == wanted
    assert (overall["events_with_sessions"] <= overall["events"]).all()
    by_week = found.table.groupby("protocol")[["events", "outside_record"]].sum()
    for name, row in by_week.iterrows():
        assert row["events"] == overall.loc[name, "events"]
        assert row["outside_record"] <= overall.loc[name, "outside_record"]


def test_sessions_that_nobody_prescribed_are_not_done_of_those_prescribed_but_are_sessions():
    """1,000 harms in sessions done count every session; the share of sessions only those prescribed."""
    entries = [
        *weeks_done("a", [4, 4]),
        *weeks_done("a", [3, 3], prescribed=0, modality=TENS),
    ]
    events = pd.DataFrame({"patient_id": ["a"], "week": [0.0], "event": ["flare"]})
    found = events_by_week(cohort_of_sessions(entries, {"a": "u"}, events=events))
    assert (
        found.table[["sessions_prescribed", "sessions_done", "share_of_sessions"]].to_numpy().tolist()
        == [[5, 4, 0.8]] * 2
    )
    assert found.overall["sessions_done"].item() == 14


def test_never_said_is_missing_and_none_is_zero():
    unsaid = events_by_week(cohort_of_sessions(ENTRIES, PROTOCOLS, events=EVENTS.assign(related=None)))
    assert unsaid.table["related"].isna().all()
    none = events_by_week(cohort_of_sessions(ENTRIES, PROTOCOLS, events=EVENTS.iloc[:0]))
    assert none.table["events"].eq(0).all()
    assert none.overall["per_100_patient_weeks"].eq(0).all()


def test_not_recorded_is_said():
    cohort = cohort_of_sessions(ENTRIES, PROTOCOLS)
    assert events_by_week(cohort).notes == ("Events were not recorded: this says nothing about harms.",)
    without = Cohort(cohort.patients, cohort.visits, events=EVENTS)
    assert events_by_week(without).notes == ("Home sessions were not recorded: nothing can be said about adherence.",)
    assert not events_by_week(without).recorded
