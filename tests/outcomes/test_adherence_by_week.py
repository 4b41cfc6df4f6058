"""Prescribed against done, with the weeks where nothing, or less than was done, was prescribed."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.adherence import adherence_by_week

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
        ("d", 1, "strength stimulation", 0, 1),
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
    second = table.loc[("usual", "exercise", 2.0)]
    assert second[["recorded", "n", "none_prescribed", "more_than_prescribed"]].tolist() == [3, 1, 1, 1]
    assert second["share_of_sessions"] == 1.5


def test_nothing_prescribed_is_missing(found):
    row = found.table.set_index("modality").loc["strength stimulation"]
    assert row["n"] == 0
    assert row[["share_of_sessions", "mean_share", "share_reached", "sessions_done"]].isna().all()


def test_over_the_whole_programme(found):
    """usual: a did 11 of 9, b 2 of 5 (2 of 5 and 0 of 0), c is unknown."""
    row = found.overall.set_index(["protocol", "modality"]).loc[("usual", "exercise")]
    assert row[["recorded", "n", "reached", "sessions_prescribed", "sessions_done"]].tolist() == [3, 2, 1, 14, 13]
    assert row["mean_share"] == pytest.approx((11 / 9 + 2 / 5) / 2)


def test_what_was_kept_is_said(found):
    assert found.notes == (
        "Denominator: patients with sessions prescribed and the sessions done known; no entry is not 0 %.",
        "2 of 7 weekly entries had no session prescribed: their share is missing.",
        "1 of 7 weekly entries had more done than prescribed: kept as they are.",
        "In 1 of 7 weekly entries sessions prescribed or done are missing.",
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
    assert "2 of 4 patients have no entry at all." in found.notes


def test_a_threshold_must_be_positive():
    with pytest.raises(ModelError, match=r"threshold 0 is not a share .*\n  what to do: Give a share above 0"):
        adherence_by_week(Cohort(PATIENTS, VISITS, sessions=SESSIONS), threshold=0)
