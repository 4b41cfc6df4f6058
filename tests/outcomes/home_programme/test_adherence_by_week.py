"""Prescribed against done, with the weeks where nothing, or less than was done, was prescribed."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.cohort.modalities import NMES
from analysis.errors import ModelError
from analysis.outcomes.home_programme.sessions_done import adherence_by_week

PATIENTS = pd.DataFrame({"patient_id": list("abcd"), "protocol": ["usual", "usual", "usual", "early"]})
VISITS = pd.DataFrame({"patient_id": ["a"], "week": 0, "measure": "pain", "limb": "none", "value": 5})
SESSIONS = pd.DataFrame(
    [
        ("a", 1, "exercise", 5, 5),
        ("b", 1, "exercise", 5, 2),
        ("a", 2, "exercise", 4, 6),
        ("b", 2, "exercise", 0, 0),
        ("c", 2, "exercise", 4, np.nan),
        ("d", 1, "exercise", 5, 4),
        ("d", 1, NMES, 0, 1),
    ],
    columns=["patient_id", "week", "modality", "sessions_prescribed", "sessions_done"],
)


@pytest.fixture
def found():
    return adherence_by_week(Cohort(PATIENTS, VISITS, sessions=SESSIONS))


def test_by_week(found):
    table = found.table.set_index(["protocol", "modality", "week"])
    first = table.loc[("usual", "exercise", 1.0)]
    assert first[["allocated", "recorded", "n", "reached"]].tolist() == [3, 2, 2, 1]
    assert first["share_of_sessions"] == 0.7
    assert first["mean_share"] == pytest.approx(0.7)
    assert first["share_reached"] == 0.5
    assert table.loc[("early", "exercise", 1.0), "reached"] == 1  # 4 of 5 are 80 %
    second = table.loc[("usual", "exercise", 2.0)]
    assert second[["recorded", "n", "none_prescribed", "more_than_prescribed"]].tolist() == [3, 1, 1, 1]
    assert second["share_of_sessions"] == 1.5


def test_nothing_prescribed_is_missing(found):
    row = found.table.set_index("modality").loc[NMES]
    assert row["n"] == 0
    assert row[["share_of_sessions", "mean_share", "share_reached", "sessions_done"]].isna().all()


def test_over_the_whole_programme(found):
    """usual: a did 11 of 9, b 2 of 5 (2 of 5 and 0 of 0), c is unknown."""
    row = found.overall.set_index(["protocol", "modality"]).loc[("usual", "exercise")]
    assert row[["recorded", "n", "reached", "sessions_prescribed", "sessions_done"]].tolist() == [3, 2, 1, 14, 13]
    assert row["mean_share"] == pytest.approx((11 / 9 + 2 / 5) / 2)


def test_sessions_that_were_not_prescribed_are_not_done_of_those_prescribed():
    """b: 2 of 5, then 3 with none prescribed: 2 of 5 over the programme, as in every other count of adherence."""
    sessions = SESSIONS.assign(
        sessions_done=SESSIONS["sessions_done"].mask((SESSIONS["sessions_prescribed"] == 0), 3.0)
    )
    found = adherence_by_week(Cohort(PATIENTS, VISITS, sessions=sessions))
    row = found.overall.set_index(["protocol", "modality"]).loc[("usual", "exercise")]
    assert row[["n", "sessions_prescribed", "sessions_done"]].tolist() == [2, 14, 13]


def test_a_modality_that_a_protocol_does_not_have_is_not_prescribed():
    """Not 0 %: 'usual' has no entry of stimulation, 'early' has it, 'none' has no session on record at all."""
    people = pd.DataFrame({"patient_id": list("abcde"), "protocol": ["usual", "usual", "early", "early", "none"]})
    rows = [(name, 1, "exercise", 5, 4) for name in "abcd"] + [("c", 1, NMES, 5, 3)]
    sessions = pd.DataFrame(rows, columns=SESSIONS.columns)
    found = adherence_by_week(Cohort(people, VISITS, sessions=sessions))
    overall = found.overall.set_index(["protocol", "modality"])
    assert overall["prescribed"].to_dict() == {
        ("early", "exercise"): "yes", ("early", NMES): "yes", ("none", "exercise"): "not recorded",
        ("none", NMES): "not recorded", ("usual", "exercise"): "yes",
        ("usual", NMES): "no",
    }  # fmt: skip
    usual = overall.loc[("usual", NMES)]
    assert usual[["allocated", "recorded", "n", "reached"]].tolist() == [2, 0, 0, 0]
    assert usual[["share_of_sessions", "share_reached", "sessions_prescribed", "sessions_done"]].isna().all()
    assert (
        "Not prescribed, as far as the record says: neuromuscular electrical stimulation (NMES) (usual)." in found.notes
    )
    assert "No session of any kind is on record for none." in found.notes


@pytest.mark.parametrize(
    ("stimulation", "status"),
    [
        ([("d", 5, 4)], {"usual": "no", "early": "yes"}),
        ([("d", 5, 4), ("a", 0, 2)], {"usual": "no", "early": "yes"}),  # done, and prescribed to nobody there
        ([("d", 5, 4), ("a", np.nan, 2)], {"usual": "not known", "early": "yes"}),
        ([("d", np.nan, 4)], {"usual": "not known", "early": "not known"}),  # a log without prescriptions
    ],
)
def test_what_is_known_of_the_prescription(stimulation, status):
    rows = [(who, 1, NMES, asked, done) for who, asked, done in stimulation]
    sessions = pd.concat([SESSIONS[SESSIONS["modality"] == "exercise"], pd.DataFrame(rows, columns=SESSIONS.columns)])
    overall = adherence_by_week(Cohort(PATIENTS, VISITS, sessions=sessions)).overall
    found = overall[overall["modality"] == "neuromuscular electrical stimulation (NMES)"].set_index("protocol")[
        "prescribed"
    ]
    assert found.to_dict() == status


def test_what_was_kept_is_said(found):
    assert found.notes == (
        "Denominator: patients with sessions prescribed and the sessions done known; no entry is not 0 %.",
        "2 of 7 weekly entries had no session prescribed: their share is missing.",
        "1 of 7 weekly entries had more done than prescribed: kept as they are.",
        "In 1 of 7 weekly entries sessions prescribed or done are missing.",
        "Not prescribed, as far as the record says: neuromuscular electrical stimulation (NMES) (usual, early).",
    )


def test_not_recorded():
    found = adherence_by_week(Cohort(PATIENTS, VISITS))
    assert not found.recorded
    assert found.table.empty
    assert found.overall.empty
    assert list(found.table)[:4] == ["protocol", "modality", "week", "allocated"]
    assert found.notes == ("Home sessions were not recorded: nothing can be said about adherence.",)


def test_patients_without_an_entry_are_said():
    found = adherence_by_week(Cohort(PATIENTS, VISITS, sessions=SESSIONS.iloc[:2]))
    assert "Of 4 patients 2 have no entry at all." in found.notes


def test_enough_must_be_positive():
    with pytest.raises(
        ModelError,
        match=r"A share of 0 of the sessions prescribed cannot be enough\.\n  what to do: Give a share above 0",
    ):
        adherence_by_week(Cohort(PATIENTS, VISITS, sessions=SESSIONS), enough=0)
