"""Time to stopping: who stopped and when by hand, the curve against a published example, records that are not complete."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.cohort.modalities import TENS
from analysis.errors import ModelError
from analysis.outcomes.home_programme.time_to_stopping import time_to_stopping, weeks_of_patients

from .cohort_of_sessions import cohort_of_sessions, weeks_done

DONE = {
    "went on": [5, 0, 4, 3, 2, 1],
    "paused": [5, 0, 0, 0, 2, 1],
    "stopped": [5, 4, 0, 0, 0, 0],
    "never": [0, 0, 0, 0, 0, 0],
    "one idle week": [5, 4, 3, 2, 1, 0],
    "record ended": [5, 4, None, None, None, None],
    "unknown end": [5, 4, 0, np.nan, np.nan, np.nan],
    "no entry": [None] * 6,
}


@pytest.fixture(scope="module")
def found():
    entries = [row for name, done in DONE.items() for row in weeks_done(name, done)]
    return time_to_stopping(cohort_of_sessions(entries, dict.fromkeys(DONE, "usual")))


def test_who_stopped_and_when(found):
    patients = found.patients.set_index("patient_id")
    assert patients["week"].to_dict() == {
        "went on": 6, "paused": 6, "stopped": 3, "never": 1, "one idle week": 6, "record ended": 2, "unknown end": 3,
        "no entry": pytest.approx(np.nan, nan_ok=True),
    }  # fmt: skip
    assert patients.index[patients["stopped"]].tolist() == ["stopped", "never"]
    assert patients.index[patients["never_started"]].tolist() == ["never"]
    assert found.summary.iloc[0, 1:].tolist() == [8, 7, 1, 1, 5]
    assert "Of 8 patients 1 has no week with sessions prescribed and recorded." in found.notes


def test_the_share_stopped_by_hand(found):
    """At risk 7 at week 1 (1 stops), 5 at week 3 after one censored at 2 (1 stops): 1 - 6/7 x 4/5."""
    assert found.table[["week", "at_risk", "stopped"]].to_numpy().tolist() == [[1, 7, 1], [3, 5, 1]]
    assert found.table["share"].tolist() == pytest.approx([1 / 7, 1 - 6 / 7 * 4 / 5])


def test_one_idle_week_may_be_enough():
    entries = [row for name, done in DONE.items() for row in weeks_done(name, done)]
    found = time_to_stopping(cohort_of_sessions(entries, dict.fromkeys(DONE, "usual")), idle_weeks=1)
    stopped = found.patients.set_index("patient_id")["stopped"]
    assert stopped[["one idle week", "unknown end"]].all()
    assert not stopped[["went on", "paused"]].any()


def test_the_remission_times_of_freireich_as_weeks_of_a_programme():
    """Freireich 1963 (as in test_time_to_response): 6-MP .857 at 6, .807 at 7, .753 at 10, .448 at 23 (R survfit);
    log-rank 16.79; medians 23 and 8. A stop at week w is a session in each week before w and none in w and w + 1."""
    drug = [(6, 1), (6, 1), (6, 1), (6, 0), (7, 1), (9, 0), (10, 1), (10, 0), (11, 0), (13, 1), (16, 1), (17, 0), (19, 0),
            (20, 0), (22, 1), (23, 1), (25, 0), (32, 0), (32, 0), (34, 0), (35, 0)]  # fmt: skip
    placebo = [(w, 1) for w in (1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23)]
    entries, protocols = [], {}
    for protocol, rows in (("6-MP", drug), ("placebo", placebo)):
        for number, (week, stopped) in enumerate(rows):
            name = f"{protocol} {number}"
            protocols[name] = protocol
            entries += weeks_done(name, [3] * (week - 1) + [0, 0] if stopped else [3] * week)
    found = time_to_stopping(cohort_of_sessions(entries, protocols))
    kept = 1 - found.table.query("protocol == '6-MP'").set_index("week")["share"]
    assert kept[[6, 7, 10, 23]].tolist() == pytest.approx([0.8571, 0.8067, 0.7529, 0.4482], abs=5e-5)
    assert found.comparison["statistic"].item() == pytest.approx(16.79, abs=0.005)
    assert found.medians.set_index("protocol")["median_week"].to_dict() == {"6-MP": 23.0, "placebo": 8.0}
    assert found.differences["reference"].unique().tolist() == ["6-MP"]


def test_modalities_are_added_up_and_weeks_without_prescription_do_not_count():
    entries = [
        ("a", 1, "exercise", 5, 0), ("a", 1, "stimulation", 5, 2), ("a", 2, "exercise", 5, 0), ("a", 3, "exercise", 5, 0),
        ("a", 2, "stimulation", 0, 0), ("a", 4, "exercise", 0, 0), ("b", 1, "exercise", 5, np.nan), ("b", 1, "stimulation", 5, 1),
    ]  # fmt: skip
    cohort = cohort_of_sessions(entries, {"a": "usual", "b": "usual"})
    weeks = weeks_of_patients(cohort)
    assert weeks["week"].tolist() == [1, 2, 3]
    assert weeks["share"].tolist() == [0.2, 0, 0]
    assert time_to_stopping(cohort).patients["week"].tolist() == [2, pytest.approx(np.nan, nan_ok=True)]
    assert time_to_stopping(cohort, modality="exercise").patients["never_started"].tolist() == [True, False]
    assert not time_to_stopping(cohort, modality="stimulation").patients["stopped"].any()


def test_a_protocol_without_the_modality_did_not_stop_it_and_lacks_nothing():
    entries = [
        *weeks_done("a", [5, 5]),
        *weeks_done("b", [5, 0]),
        *weeks_done("b", [5, 5], modality=TENS),
    ]
    cohort = cohort_of_sessions(entries, {"a": "usual", "b": "early", "c": "early"})
    found = time_to_stopping(cohort, modality=TENS, reference="early")
    assert found.summary.set_index("protocol")["n"].to_dict() == {"usual": 0, "early": 1}
    assert found.medians["protocol"].tolist() == ["early"]
    assert "Of 2 patients 1 has no week with sessions prescribed and recorded." in found.notes
    assert (
        "Not prescribed, as far as the record says: transcutaneous electrical nerve stimulation (TENS) (usual)."
        in found.notes
    )


def test_a_protocol_with_one_patient():
    entries = weeks_done("a", [5, 0, 0]) + weeks_done("b", [1, 1, 1]) + weeks_done("c", [1, 0, 0])
    found = time_to_stopping(cohort_of_sessions(entries, {"a": "usual", "b": "early", "c": "early"}))
    assert found.table["share"].tolist() == [1.0, 0.5]
    assert np.isnan(found.table["lower"].iloc[0])
    assert found.summary["n"].tolist() == [1, 2]


def test_nobody_stopped_and_not_recorded():
    going = time_to_stopping(cohort_of_sessions(weeks_done("a", [1, 1]), {"a": "usual"}))
    assert going.table.empty
    assert np.isnan(going.medians["median_week"].item())
    visits = pd.DataFrame({"patient_id": ["a"], "week": 0, "measure": "pain", "limb": "none", "value": 5})
    without = time_to_stopping(Cohort(pd.DataFrame({"patient_id": ["a"], "protocol": ["usual"]}), visits))
    assert without.table.empty
    assert without.summary["n"].tolist() == [0]
    assert without.notes == ("Home sessions were not recorded: nothing can be said about adherence.",)


def test_bad_choices_are_explained():
    cohort = cohort_of_sessions(weeks_done("a", [1, 1]), {"a": "usual"})
    with pytest.raises(ModelError, match=r"no modality 'swimming'.*\n  where: modalities there: exercise"):
        time_to_stopping(cohort, modality="swimming")
    with pytest.raises(ModelError, match="0 idle weeks cannot count as having stopped"):
        time_to_stopping(cohort, idle_weeks=0)
