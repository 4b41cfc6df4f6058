"""A log with one row a session: impossible ones are found, the rest summed into weeks."""

import re

import numpy as np
import pandas as pd
import pytest

from analysis.cohort.findings import FindingList
from analysis.cohort.modalities import NMES, TENS
from analysis.cohort.prescriptions import Prescription
from analysis.cohort.session_log import check_session_log, programme_week, sum_sessions
from analysis.errors import CohortError


def log(**columns):
    return pd.DataFrame({"patient_id": "a", "week": 1.0, "modality": NMES, "minutes": 20.0} | columns)


def problems(frame, **options):
    found = FindingList()
    check_session_log(frame, "log.csv", found, **options)
    return found.report().findings[["row", "column", "problem"]].to_numpy().tolist()


def test_sums_and_means_by_hand():
    table = sum_sessions(
        log(
            week=[1, 1, 1, 3], minutes=[20, 10, 0, None], level_knee=[40, 70, 99, None], level_thigh=[None, 50, None, None],
            pauses=[1, None, 2, None],
        )
    )  # fmt: skip
    first, third = table.iloc[0], table.iloc[1]
    assert first[["sessions_done", "minutes_done", "level_knee", "level_thigh", "pauses"]].tolist() == [
        2,
        30,
        50,
        50,
        3,
    ]
    assert third["sessions_done"] == 1
    assert np.isnan(third[["minutes_done", "level_knee", "pauses"]].astype(float)).all()
    assert table["sessions_prescribed"].isna().all()


def test_levels_of_sessions_without_minutes_weigh_alike():
    table = sum_sessions(log(week=[1, 1], minutes=[None, None], level_knee=[40, 60]))
    assert table[["sessions_done", "level_knee"]].to_numpy().tolist() == [[2, 50]]


def test_weeks_without_a_session_count_as_none_done_where_some_were_prescribed():
    table = sum_sessions(
        log(week=[2, 2], minutes=[20, 20]),
        prescribed={NMES: 5},
        weeks=(1, 3),
        patients=["b", "a"],
    )
    assert table[["patient_id", "week", "sessions_done"]].to_numpy().tolist() == [
        ["b", 1, 0], ["b", 2, 0], ["b", 3, 0], ["a", 1, 0], ["a", 2, 2], ["a", 3, 0]
    ]  # fmt: skip
    assert table["sessions_prescribed"].tolist() == [5] * 6
    after = sum_sessions(log(week=[9]), prescribed={NMES: 5}, weeks=(1, 3))
    assert after["sessions_prescribed"].isna().tolist() == [False] * 3 + [True]


STIMULATION = Prescription(NMES, 5, (1, 3), ("stimulated",))
NERVE = Prescription(TENS, 7, (1, 2), ("stimulated",))
BOTH_ARMS = {"a": "stimulated", "b": "exercise only"}


def prescribed_by_week(table):
    return {
        (row.patient_id, row.modality, row.week): (row.sessions_prescribed, row.sessions_done)
        for row in table.itertuples()
    }


def test_sessions_are_prescribed_to_the_protocols_and_weeks_that_the_map_names():
    exercise = Prescription("exercise", 3, (1, 2), ("stimulated", "exercise only"))
    table = sum_sessions(
        log(patient_id=["a", "b"], week=[2.0, 1.0], modality=[NMES, "exercise"]),
        prescribed=[STIMULATION, NERVE, exercise], protocols=BOTH_ARMS,
    )  # fmt: skip
    assert prescribed_by_week(table) == {
        ("a", NMES, 1): (5, 0), ("a", NMES, 2): (5, 1),
        ("a", NMES, 3): (5, 0), ("a", TENS, 1): (7, 0), ("a", TENS, 2): (7, 0),
        ("a", "exercise", 1): (3, 0), ("a", "exercise", 2): (3, 0),
        ("b", "exercise", 1): (3, 1), ("b", "exercise", 2): (3, 0),
    }  # fmt: skip
    assert table.loc[table["sessions_done"] == 0, "minutes_done"].eq(0).all()


def test_sessions_beyond_the_prescription_were_prescribed_to_nobody():
    """0, not missing: the map says all that was prescribed of this modality. Of another modality nothing is said."""
    table = sum_sessions(
        log(patient_id=["a", "b", "b"], week=[4.0, 1.0, 1.0], modality=[*[NMES] * 2, "exercise"]),
        prescribed=[STIMULATION], protocols=BOTH_ARMS,
    )  # fmt: skip
    found = prescribed_by_week(table)
    assert found[("a", NMES, 4)] == (0, 1)
    assert found[("b", NMES, 1)] == (0, 1)
    assert np.isnan(found[("b", "exercise", 1)][0])
    assert len(found) == 6


def test_prescribed_to_all_leaves_out_a_protocol_in_which_nobody_did_a_session_that_others_did():
    """Five patients of "other" without a session of stimulation: 0 of 50 before. Exercise nobody did: it stays asked."""
    protocols = {f"s{k}": "stimulated" for k in range(5)} | {f"o{k}": "other" for k in range(5)} | {"x": "tiny"}
    table = sum_sessions(
        log(patient_id=["s1"], week=[1.0], modality=[NMES]),
        prescribed={NMES: 5, "exercise": 3}, weeks=(1, 2), patients=list(protocols), protocols=protocols,
    )  # fmt: skip
    asked = table.assign(protocol=table["patient_id"].map(protocols)).groupby(["protocol", "modality"])
    assert asked["sessions_prescribed"].sum().to_dict() == {
        ("other", "exercise"): 30,
        ("stimulated", "exercise"): 30,
        ("stimulated", NMES): 50,
        ("tiny", "exercise"): 6,
        ("tiny", NMES): 10,
    }


def test_a_prescription_can_change_within_the_programme():
    more = Prescription(NMES, 7, (4, 5), ("stimulated",))
    table = sum_sessions(log(week=[1.0])[:0], prescribed=[STIMULATION, more], protocols=BOTH_ARMS)
    assert table["sessions_prescribed"].tolist() == [5, 5, 5, 7, 7]
    assert set(table["patient_id"]) == {"a"}


@pytest.mark.parametrize(
    ("sessions", "weeks", "said"),
    [
        (5, (4, 2), "cannot go from week 4 to week 2"),
        (0, (1, 2), "0 sessions a week are no prescription"),
        (float("inf"), (1, 2), "inf sessions a week are no prescription"),
    ],
)
def test_prescriptions_that_cannot_be(sessions, weeks, said):
    with pytest.raises(CohortError, match=said):
        Prescription("exercise", sessions, weeks, ("usual",))


def test_two_prescriptions_for_one_week_are_refused():
    other = Prescription(NMES, 3, (3, 8), ("stimulated", "other"))
    said = re.escape(f"For week 3 sessions of {NMES} are prescribed twice to stimulated")
    with pytest.raises(CohortError, match=said):
        sum_sessions(log(week=[1.0]), prescribed=[STIMULATION, other], protocols=BOTH_ARMS)


def test_an_empty_log_and_weeks_that_run_backwards():
    assert sum_sessions(log(week=[1.0])[:0]).empty
    with pytest.raises(CohortError, match="cannot go from week 5 to week 2"):
        sum_sessions(log(week=[1.0]), weeks=(5, 2))


def test_day_zero_is_in_week_one():
    assert programme_week(pd.Series([0.0, 6.99, 7.0, -0.5])).tolist() == [1, 1, 2, 0]


def test_impossible_sessions():
    frame = log(
        minutes=[20, 26, -1, 2000, 15], level_knee=[100, 101, 50, -1, 50], length_minutes=[30, 30, 30, 30, 10], pauses=[0, 0, 0, -1, 0]
    )  # fmt: skip
    found = problems(frame)
    assert [3, "level_knee", "a stimulation level outside 0 to 100 %"] in found
    assert [5, "level_knee", "a stimulation level outside 0 to 100 %"] in found
    assert [
        3,
        "minutes",
        f"longer than a session of {NMES} takes, 20 min and 5 let pass",
    ] in found
    assert [4, "minutes", "minutes below 0"] in found
    assert [5, "minutes", "more minutes than a day has"] in found
    assert [6, "minutes", "more minutes than from the start to the end of the session"] in found
    assert [5, "pauses", "pauses below 0"] in found
    assert not [one for one in found if one[0] == 2]
    assert problems(log(minutes=[2000])) == [[2, "minutes", "more minutes than a day has"]]  # one mistake is said once


def test_a_clock_that_shows_minutes():
    """20.9 minutes may lie between 8:00 and 8:20 as shown, 21.1 may not."""
    assert [row for row, *_ in problems(log(minutes=[20.9, 21.1], length_minutes=20.0))] == [3]
