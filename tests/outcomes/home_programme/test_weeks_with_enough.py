"""Share of weeks at 80 % and at a share of the user's."""

import numpy as np
import pytest

from analysis.cohort.modalities import TENS
from analysis.errors import ModelError
from analysis.outcomes.home_programme.weeks_with_enough import weeks_with_enough

from .cohort_of_sessions import cohort_of_sessions, weeks_done

ENTRIES = [
    *weeks_done("a", [5, 4, 3, np.nan, 7]),  # 80 %: weeks 1, 2 and 5 of 4 known
    *weeks_done("b", [0, 4, 0, 0]),
    ("b", 5, "exercise", 0, 2),  # nothing prescribed
    *weeks_done("c", [5, 5]),
    *weeks_done("c", [1, 5], modality=TENS),  # together 6 of 10, then 10 of 10
]
PROTOCOLS = {"a": "usual", "b": "usual", "c": "early", "d": "early"}


@pytest.fixture
def found():
    return weeks_with_enough(cohort_of_sessions(ENTRIES, PROTOCOLS), enough=0.6)


def test_by_patient(found):
    rows = found.patients.set_index(["patient_id", "modality", "enough"])[["weeks", "reached"]]
    assert rows.loc[("a", "exercise", 0.8)].tolist() == [4, 3]
    assert rows.loc[("a", "exercise", 0.6)].tolist() == [4, 4]
    assert rows.loc[("b", "exercise", 0.8)].tolist() == [4, 1]
    assert rows.loc[("c", "all sessions", 0.8)].tolist() == [2, 1]
    assert rows.loc[("c", "all sessions", 0.6)].tolist() == [2, 2]


def test_by_protocol_with_denominators(found):
    table = found.table.set_index(["protocol", "modality", "enough"])
    usual = table.loc[("usual", "exercise", 0.8)]
    assert usual[["allocated", "n", "weeks", "weeks_reached", "mean"]].tolist() == [2, 2, 8, 4, 0.5]
    early = table.loc[("early", TENS, 0.8)]
    assert early[["allocated", "n", "mean"]].tolist() == [2, 1, 0.5]
    assert np.isnan(early["lower"])
    assert found.every_week.set_index(["protocol", "modality", "enough"]).loc[
        ("usual", "exercise", 0.6), ["n", "patients", "share"]
    ].tolist() == [2, 1, 0.5]  # fmt: skip
    assert "Of 4 patients 1 has no such week." in found.notes


def test_80_per_cent_is_always_there():
    cohort = cohort_of_sessions(ENTRIES, PROTOCOLS)
    assert weeks_with_enough(cohort).shares == (0.8,)
    assert weeks_with_enough(cohort, enough=1.2).shares == (0.8, 1.2)


def test_nothing_prescribed_at_all_is_missing_not_zero():
    found = weeks_with_enough(cohort_of_sessions([("a", 1, "exercise", 0, 0)], {"a": "usual"}))
    assert found.table.empty
    assert found.notes[-2] == "The one patient has no such week."


def test_what_is_not_prescribed_has_no_weeks_and_is_said():
    entries = [
        *weeks_done("a", [5, 5]),
        *weeks_done("b", [5, 5]),
        *weeks_done("b", [5, 5], modality=TENS),
    ]
    found = weeks_with_enough(cohort_of_sessions(entries, {"a": "usual", "b": "early"}))
    assert set(found.table.loc[found.table["protocol"] == "usual", "modality"]) == {"all sessions", "exercise"}
    assert (
        "Not prescribed, as far as the record says: transcutaneous electrical nerve stimulation (TENS) (usual)."
        in found.notes
    )


def test_enough_must_be_positive():
    with pytest.raises(ModelError, match="A share of -1 of the sessions prescribed cannot be enough"):
        weeks_with_enough(cohort_of_sessions(ENTRIES, PROTOCOLS), enough=-1)
