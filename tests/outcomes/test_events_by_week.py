"""Harms beside the sessions done, week by week."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.outcomes.events_by_week import events_by_week

from .home_programme import cohort_of_sessions, weeks_done

EVENTS = pd.DataFrame(
    [
        ("a", 2.0, "skin irritation", False, True),
        ("a", 1.3, "muscle soreness", False, True),  # falls in week 2
        ("a", 3.0, "withdrew", False, False),
        ("b", 3.0, "flare", True, False),
        ("b", 4.0, "flare", False, False),  # no entry that week
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
