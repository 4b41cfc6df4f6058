"""Who was expected, seen, missed and lost; counted by hand."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.cohort.follow_up.expected_visits import expected_weeks, seen_weeks
from analysis.errors import CohortError, ModelError
from analysis.outcomes.missing.missing_by_week import missing_by_week
from analysis.outcomes.patients.patient_flow import NO_REASON, patient_flow

PATTERNS = {  # weeks 0, 6, 12, 26
    ("a", "usual"): "1111",
    ("b", "usual"): "1011",
    ("c", "usual"): "1100",
    ("d", "usual"): "0000",
    ("e", "early"): "1111",
    ("f", "early"): "1000",
    ("g", "early"): "0101",
}
WEEKS = [0, 6, 12, 26]


@pytest.fixture
def cohort():
    patients = pd.DataFrame(list(PATTERNS), columns=["patient_id", "protocol"])
    rows = [
        (name, week, 5.0)
        for (name, _), seen in PATTERNS.items()
        for week, one in zip(WEEKS, seen, strict=True)
        if one == "1"
    ]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "value"]).assign(measure="pain", limb="none")
    events = pd.DataFrame(
        {
            "patient_id": ["c", "c", "a", "f"],
            "week": [3, 8, 9, 5],
            "event": ["skin irritation", "withdrawal", "withdrawal of one drug", "flare"],
            "serious": [False, False, False, True],
            "related": [True, False, False, pd.NA],
        }
    )
    return Cohort(patients, visits, events=events)


def test_missing_by_protocol_and_week(cohort):
    table = missing_by_week(cohort, "pain").table.set_index(["protocol", "week"])
    assert table.loc["usual", "expected"].tolist() == [4, 4, 4, 4]
    assert table.loc["usual", "missing"].tolist() == [1, 2, 2, 2]
    assert table.loc["usual", "missed_seen_later"].tolist() == [0, 1, 0, 0]
    assert table.loc["early", "missing"].tolist() == [1, 1, 2, 1]
    assert table.loc["early", "missed_seen_later"].tolist() == [1, 0, 1, 0]
    assert table.loc[("early", 12.0), "share"] == pytest.approx(2 / 3)
    assert (table["seen"] + table["missing"]).eq(table["expected"]).all()


def test_wide_and_long_missing_count_the_same(cohort):
    grid = pd.MultiIndex.from_product([[name for name, _ in PATTERNS], WEEKS], names=["patient_id", "week"])
    full = cohort.visits.set_index(["patient_id", "week"])["value"].reindex(grid).reset_index()
    blank = Cohort(cohort.patients, full.assign(measure="pain", limb="none"), events=cohort.events)
    pd.testing.assert_frame_equal(missing_by_week(cohort, "pain").table, missing_by_week(blank, "pain").table)


def test_flow_counts(cohort):
    flow = patient_flow(cohort)
    allocated = flow.allocated.set_index("protocol")
    assert allocated.loc["usual"].tolist() == [4, 3, 3, 2, 1]
    assert allocated.loc["early"].tolist() == [3, 2, 2, 2, 0]
    assert flow.by_week.set_index(["protocol", "week"]).loc["usual", "seen"].tolist() == [3, 2, 2, 2]


def test_reasons_of_the_lost(cohort):
    flow = patient_flow(cohort)
    lost = flow.patients[flow.patients["lost"]].set_index("patient_id")["reason"]
    assert lost.to_dict() == {"c": "withdrawal", "d": NO_REASON, "f": NO_REASON}
    assert flow.lost.set_index(["protocol", "reason"])["patients"].to_dict() == {
        ("usual", NO_REASON): 1,
        ("usual", "withdrawal"): 1,
        ("early", NO_REASON): 1,
    }
    named = patient_flow(cohort, ending_events=["flare"])
    assert named.patients.set_index("patient_id").loc["f", "reason"] == "flare"
    assert flow.patients.loc[~flow.patients["lost"], "reason"].isna().all()
    later = pd.DataFrame({"patient_id": ["c", "c"], "week": [9, 4], "event": ["lost to follow-up", "declined a visit"]})
    twice = patient_flow(Cohort(cohort.patients, cohort.visits, events=pd.concat([later, cohort.events])))
    assert twice.patients.set_index("patient_id").loc["c", "reason"] == "lost to follow-up"  # the last of three


def test_a_visit_after_the_last_expected_week_is_not_one_at_it_but_nobody_is_lost_who_made_it(cohort):
    flow = patient_flow(cohort, weeks=[0, 6, 12])
    assert flow.allocated.set_index("protocol")["seen_at_last_week"].to_dict() == {"usual": 2, "early": 1}
    assert not flow.patients.set_index("patient_id").loc["g", "lost"]  # seen at week 26, not at week 12


def test_without_events_no_reason_is_known(cohort):
    flow = patient_flow(Cohort(cohort.patients, cohort.visits))
    assert flow.lost["reason"].eq(NO_REASON).all()
    assert "Events were not recorded, so no reasons are known." in flow.notes


def test_visits_before_the_start_are_one_baseline():
    patients = pd.DataFrame({"patient_id": ["a", "b"], "protocol": "usual"})
    visits = pd.DataFrame({"patient_id": ["a", "a", "b"], "week": [-2, 0, -1], "value": 4}).assign(
        measure="pain", limb="none"
    )
    table = missing_by_week(Cohort(patients, visits), "pain").table
    assert table[["week", "expected", "seen"]].to_numpy().tolist() == [[0, 2, 2]]


def test_an_unscheduled_visit_expects_nobody_else():
    seen = pd.DataFrame({"patient_id": range(101), "week": [6.0] * 100 + [7.3]})
    assert expected_weeks(seen) == [6.0]
    assert expected_weeks(seen, [12, -1, 0]) == [0.0, 12.0]
    five = pd.DataFrame({"patient_id": range(105), "week": [6.0] * 100 + [7.0] * 5})
    assert expected_weeks(five) == [6.0, 7.0]  # 5 % of the best-attended week is enough


@pytest.mark.parametrize(("follow_ups", "weeks"), [(12, 13), (13, 0)])
def test_a_schedule_has_twelve_weeks_after_the_baseline_at_most(follow_ups, weeks):
    seen = pd.DataFrame({"patient_id": "a", "week": np.arange(follow_ups + 1.0)})
    assert len(expected_weeks(seen)) == weeks


def test_visits_without_a_schedule(rng):
    patients = pd.DataFrame({"patient_id": [f"P{i}" for i in range(40)], "protocol": "usual"})
    visits = pd.DataFrame({"patient_id": patients["patient_id"], "week": rng.uniform(1, 50, 40), "value": 4.0})
    cohort = Cohort(patients, visits.assign(measure="pain", limb="none"))
    found = missing_by_week(cohort, "pain")
    assert found.weeks == ()
    assert found.table.empty
    assert "Visits follow no schedule" in found.notes[0]
    flow = patient_flow(cohort)
    assert not flow.patients["lost"].any()
    assert flow.by_week.empty
    assert flow.allocated["seen_after_baseline"].tolist() == [40]


def test_a_measure_never_taken_has_no_expected_week(cohort):
    found = missing_by_week(cohort, "ikdc")
    assert found.table.empty
    assert found.notes == ("No value was recorded.",)


def test_named_weeks_that_nobody_reached(cohort):
    table = missing_by_week(cohort, "pain", weeks=[104]).table
    assert table["missing"].tolist() == [4, 3]
    assert table["share"].tolist() == [1.0, 1.0]


def test_bad_weeks_are_refused(cohort):
    with pytest.raises(ModelError, match=r"A week of the schedule is not a number\.\n  what to do: Name weeks such as"):
        missing_by_week(cohort, "pain", weeks=[0, np.inf])
    with pytest.raises(CohortError, match="There is no measure 'strength'"):
        patient_flow(cohort, "strength")


def test_seen_weeks_leave_out_strangers(cohort):
    stranger = pd.concat([cohort.visits, cohort.visits.tail(1).assign(patient_id="z")])
    assert set(seen_weeks(Cohort(cohort.patients, stranger))["patient_id"]) == set("abcefg")
