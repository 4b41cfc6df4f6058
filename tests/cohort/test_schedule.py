"""Visit windows: the nearest week wins, ties and two visits in one window by the stated rule, all on record."""

import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.cohort import Cohort, VisitSchedule, VisitWindow, to_scheduled_weeks
from analysis.cohort.schedule import schedule_visits
from analysis.errors import CohortError

SIX = [VisitWindow(6, 4, 9)]


def visits(weeks, measure="pain"):
    return pd.DataFrame(
        {"patient_id": "a", "week": np.array(weeks, dtype=float), "measure": measure, "limb": "none",
         "value": np.arange(len(weeks), dtype=float)}
    )  # fmt: skip


def test_the_nearest_of_overlapping_windows_and_ties():
    windows = [VisitWindow(2, 0.1, 5), VisitWindow(6, 3, 9)]
    weeks = np.array([3.5, 4.0, 4.5, 0.0, 9.0, 9.1])
    np.testing.assert_array_equal(VisitSchedule(windows).scheduled_week(weeks), [2, 2, 6, np.nan, 6, np.nan])
    np.testing.assert_array_equal(VisitSchedule(windows, tie="later").scheduled_week(weeks)[:2], [2, 6])


def test_windows_halfway_between_weeks_keep_baselines_and_follow_up_apart():
    schedule = VisitSchedule.halfway([0, 6, 12])
    assert [(window.earliest, window.latest) for window in schedule.windows] == [(-8, 0), (0, 9), (9, 15)]
    weeks = schedule.scheduled_week(np.array([-9, -1, 0, 0.1, 9, 15, 15.1]))
    np.testing.assert_array_equal(weeks, [np.nan, 0, 0, 6, 6, 12, np.nan])


def test_windows_halfway_between_weeks_that_are_all_after_or_all_before_the_start():
    """As far before the first week as half way to the next; a baseline that comes last takes nothing after the start."""
    after = [(window.earliest, window.latest) for window in VisitSchedule.halfway([4, 8, 12]).windows]
    assert after == [(2, 6), (6, 10), (10, 14)]
    before = [(window.earliest, window.latest) for window in VisitSchedule.halfway([-4, 0]).windows]
    assert before == [(-12, -2), (-2, 0)]


def test_a_visit_on_the_day_of_the_start_is_a_baseline_however_near_the_first_follow_up():
    assert VisitSchedule.halfway([-4, 1]).scheduled_week(np.array([0.0, 0.1])).tolist() == [-4, 1]


@pytest.mark.parametrize(("rule", "value"), [("nearest", 1), ("first", 0), ("last", 2)])
def test_two_visits_in_one_window(rule, value):
    kept, report = schedule_visits(visits([4.5, 5.9, 8.0]), VisitSchedule(SIX, two_in_window=rule))
    assert kept[["week", "value"]].to_numpy().tolist() == [[6, value]]
    assert report.counts == {"on time": 0, "moved": 1, "unscheduled": 0, "dropped": 2}
    assert report.values["reason"].str.contains(rule).sum() == 2


@pytest.mark.parametrize(("tie", "value"), [("earlier", 0), ("later", 1)])
def test_two_equally_near(tie, value):
    kept, _ = schedule_visits(visits([5, 7]), VisitSchedule(SIX, tie=tie))
    assert kept["value"].tolist() == [value]


def ties():
    """Every two days equally far from a scheduled week, up to eight weeks on both sides of 52 weeks: a patient each."""
    return [(week, np.arange(1, min(7 * week, 56) + 1)) for week in range(1, 53)]


@pytest.mark.parametrize(("tie", "day"), [("earlier", -1), ("later", 1)])
def test_two_values_as_many_days_before_and_after_are_equally_near(tie, day):
    """Days over 7 are not exact: |3/7 - 1| and |11/7 - 1| differ in the last digit, 4 days both."""
    wrong = []
    for week, apart in ties():
        days = np.column_stack([7 * week - apart, 7 * week + apart])
        both = visits(days.ravel() / 7).assign(patient_id=[f"{one:02d}" for one in np.repeat(apart, 2)])
        both["value"] = np.tile([-1.0, 1.0], len(apart))
        kept, _ = schedule_visits(both, VisitSchedule([VisitWindow(week, week - 8, week + 8)], tie=tie))
        assert kept["patient_id"].tolist() == [f"{one:02d}" for one in apart]
        wrong += [(week, one) for one, value in zip(apart, kept["value"], strict=True) if value != day]
    assert sum(len(apart) for _, apart in ties()) == 2716
    assert wrong == []


@pytest.mark.parametrize("tie", ["earlier", "later"])
def test_a_day_halfway_between_two_weeks_takes_the_one_of_the_rule(tie):
    pairs = [(first, then) for first in range(1, 40) for then in range(first + 1, first + 9) if (first + then) % 2 == 0]
    for first, then in pairs:
        schedule = VisitSchedule([VisitWindow(first, first, then), VisitWindow(then, first, then)], tie=tie)
        middle = np.array([7 * (first + then) / 2 / 7, (7 * (first + then) // 2) * (1 / 7)])
        assert schedule.scheduled_week(middle).tolist() == [first if tie == "earlier" else then] * 2


def test_the_last_day_of_a_window_is_in_it_however_its_week_is_written():
    """Day 29 is week 4.142857142857143; written with six decimals it is 4.142857, a little less."""
    schedule = VisitSchedule([VisitWindow(4, 3.5, 4.1428571428), VisitWindow(9, 8.7142857144, 9.2857142856)])
    days = np.array([29, 30, 60, 61, 65, 66])
    assert schedule.scheduled_week(days / 7).tolist() == pytest.approx([4, np.nan, np.nan, 9, 9, np.nan], nan_ok=True)


def test_values_of_one_day_count_together_however_their_week_was_computed():
    """29 / 7 and 29 * (1 / 7) differ in the last digit."""
    both = visits([29 / 7, 29 * (1 / 7)]).assign(limb=["involved", "uninvolved"])
    twice = visits([58 / 7, 58 * (1 / 7)])
    assert len(set(twice["week"])) == 2
    kept, _ = schedule_visits(both, VisitSchedule([VisitWindow(4, 3, 5)]))
    assert kept["week"].tolist() == [4, 4]
    kept, report = schedule_visits(twice, VisitSchedule([VisitWindow(8, 7, 9)]))
    assert kept["week"].tolist() == [8, 8]  # the same visit twice, which the check finds
    assert report.counts["dropped"] == 0


def test_values_that_do_not_count_can_stay_with_their_actual_week_unless_it_is_taken():
    kept, report = schedule_visits(visits([5.0, 6.0, 8.0]), VisitSchedule(SIX, two_in_window="first", others="keep"))
    assert kept[["week", "value"]].to_numpy().tolist() == [[6, 0], [8, 2]]
    assert report.counts == {"on time": 0, "moved": 1, "unscheduled": 1, "dropped": 1}


def test_unscheduled_visits_stay_or_go():
    kept, _ = schedule_visits(visits([6, 20.5]), VisitSchedule(SIX))
    assert kept["week"].tolist() == [6, 20.5]
    kept, report = schedule_visits(visits([6, 20.5]), VisitSchedule(SIX, unscheduled="drop"))
    assert kept["week"].tolist() == [6]
    assert report.values["reason"].tolist()[1] == "outside every window"


def test_each_measure_is_judged_on_its_own_and_duplicates_stay_for_the_check():
    both = pd.concat([visits([5.0]), visits([7.5], "ikdc")], ignore_index=True)
    assert schedule_visits(both, VisitSchedule(SIX))[0]["week"].tolist() == [6, 6]
    twice = pd.concat([visits([5.0]), visits([5.0])], ignore_index=True)
    assert len(schedule_visits(twice, VisitSchedule(SIX))[0]) == 2


def test_the_report_by_week_and_in_words(tmp_path):
    _, report = schedule_visits(visits([6, 5.0, 20.5]), VisitSchedule(SIX))
    week = report.by_week.iloc[0]
    assert week[["week", "on_time", "moved", "dropped", "mean_shift"]].tolist() == [6, 1, 0, 1, 0]
    assert "1 unscheduled" in repr(report)
    assert "Dropped: 1 values, another value counts in the window (nearest)" in repr(report)
    written = pd.read_csv(report.write(tmp_path / "report.csv"))
    assert written["actual_week"].tolist() == [6, 5, 20.5]
    pd.testing.assert_frame_equal(written, pd.read_csv(io.StringIO(report.values.to_csv(index=False))))


def test_the_written_report_runs_no_formula(tmp_path):
    of_a_formula = visits([6, 5.0]).assign(patient_id="＝1+1")
    _, report = schedule_visits(of_a_formula, VisitSchedule(SIX))
    assert pd.read_csv(report.write(tmp_path / "report.csv"))["patient_id"].tolist() == ["'＝1+1"] * 2


def test_a_cohort_gets_a_step_in_its_provenance(cohort):
    late = Cohort(cohort.patients, cohort.visits.assign(week=cohort.visits["week"] + 0.4), provenance=cohort.provenance)
    moved, report = to_scheduled_weeks(late, VisitSchedule([VisitWindow(w, w - 1, w + 1) for w in (0, 6, 12)]))
    assert sorted(moved.visits["week"].unique()) == [0, 6, 12]
    assert report.counts["moved"] == len(cohort.visits)
    assert moved.provenance.steps[-1] == report.sentence
    assert set(late.visits["week"]) == {0.4, 6.4, 12.4}


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: VisitSchedule([]), "no visit window"),
        (lambda: VisitSchedule.halfway([]), "no visit window"),
        (lambda: VisitSchedule([VisitWindow(6, 7, 8)]), "week 6 is not inside its window, 7 to 8"),
        (lambda: VisitSchedule([VisitWindow(6, 5, 7), VisitWindow(6, 4, 8)]), "week 6 has two windows"),
        (lambda: VisitSchedule(SIX, tie="best"), "no rule tie = 'best'"),
        (lambda: VisitSchedule([VisitWindow(6, float("nan"), 7)]), "not inside"),
    ],
)
def test_schedules_that_cannot_be(make, said):
    with pytest.raises(CohortError, match=said):
        make()


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(st.floats(-20, 60), max_size=12), st.sampled_from(["nearest", "first", "last"]), st.booleans())
def test_nothing_is_lost_and_nothing_comes_twice(weeks, rule, keep):
    schedule = VisitSchedule(
        VisitSchedule.halfway([0, 6, 12, 26]).windows, two_in_window=rule, others="keep" if keep else "drop"
    )
    table = visits(sorted({round(7 * week, 5): week for week in weeks}.values()))  # no two within a second
    kept, report = schedule_visits(table, schedule)
    assert len(report.values) == len(table)
    assert len(kept) + report.counts["dropped"] == len(table)
    assert not kept.duplicated(["patient_id", "week", "measure", "limb"]).any()
    moved = report.values[report.values["outcome"] == "moved"]
    assert (moved["shift_weeks"].abs() <= 10).all()
