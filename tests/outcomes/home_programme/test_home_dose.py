"""Minutes and stimulation delivered, counted by hand and against what the generator was told."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.cohort.modalities import NMES
from analysis.outcomes.home_programme.home_dose import dose_entries, home_dose
from synthetic_cohort import generate_cohort, load_scenario

from .cohort_of_sessions import COLUMNS, cohort_of_sessions

WIDE = [*COLUMNS, "minutes_done", "level_knee", "level_thigh"]
ENTRIES = [
    dict(zip(WIDE, row, strict=True))
    for row in [
        ("a", 1, NMES, 5, 4, 80, 30, 40),  # 24 and 32
        ("a", 2, NMES, 5, 2, 40, 50, 50),  # 20 and 20
        (
            "b",
            1,
            NMES,
            5,
            0,
            0,
            np.nan,
            np.nan,
        ),  # nothing done delivers nothing
        ("b", 2, NMES, 5, 3, 60, np.nan, 20),  # level above the knee unknown
        (
            "c",
            1,
            NMES,
            5,
            0,
            np.nan,
            np.nan,
            np.nan,
        ),  # no session is no minute
        ("c", 2, NMES, 5, 2, np.nan, 30, 30),  # minutes unknown
        ("c", 1, "exercise", 5, 3, 90, np.nan, np.nan),
    ]
]


@pytest.fixture
def found():
    return home_dose(cohort_of_sessions(ENTRIES, {"a": "usual", "b": "usual", "c": "early"}))


def test_minutes_times_level(found):
    patients = found.patients.set_index(["patient_id", "modality"])
    assert patients.loc[("a", NMES), ["minutes", "dose_knee", "dose_thigh"]].tolist() == [120, 44, 52]
    assert patients.loc[("a", NMES), "minutes_a_session"] == 20
    b = patients.loc[("b", NMES)]
    assert b[["dose_knee", "weeks_with_dose_knee", "dose_thigh", "weeks_with_dose_thigh"]].tolist() == [0, 1, 12, 2]
    c = patients.loc[("c", NMES)]
    assert c[["minutes", "weeks_with_minutes"]].tolist() == [0, 1]
    assert np.isnan(c["minutes_a_session"])
    assert patients.loc[("c", "exercise"), ["dose_knee", "dose_thigh"]].isna().all()


def test_what_was_not_prescribed_is_no_dose_of_the_protocol():
    """b, usual: one session of stimulation of its own accord. Not the mean of one patient of the protocol."""
    rows = [
        *ENTRIES[:1], *ENTRIES[6:],
        dict(zip(WIDE, ("b", 1, NMES, 0, 1, 20, 30, 30), strict=True)),
        dict(zip(WIDE, ("b", 1, "exercise", 5, 3, 90, np.nan, np.nan), strict=True)),
    ]  # fmt: skip
    found = home_dose(cohort_of_sessions(rows, {"a": "early", "b": "usual", "c": "usual"}))
    assert set(zip(found.overall["protocol"], found.overall["modality"], strict=True)) == {
        ("early", NMES), ("usual", "exercise")
    }  # fmt: skip
    assert found.notes[-2:] == (
        "1 patient did sessions of a modality that their protocol does not prescribe: not in these numbers.",
        "Not prescribed, as far as the record says: exercise (early), neuromuscular electrical stimulation (NMES) (usual).",
    )


def test_by_week_with_denominators(found):
    week = found.table.query("protocol == 'usual' and week == 2").set_index("quantity")
    assert week.loc["minutes", ["allocated", "n", "mean"]].tolist() == [2, 2, 50]
    assert week.loc["stimulation above the knee", ["n", "mean"]].tolist() == [1, 20]
    assert week.loc["stimulation above the knee", ["std_error", "lower"]].isna().all()
    assert "stimulation at the thigh" not in set(found.table.query("modality == 'exercise'")["quantity"])


def test_a_protocol_with_one_patient_whose_minutes_are_unknown_is_missing(found):
    row = found.table.query("protocol == 'early' and week == 2 and quantity == 'minutes'").iloc[0]
    assert row["n"] == 0
    assert row[["mean", "lower", "median"]].isna().all()


def test_what_is_unknown_is_said(found):
    assert "In 1 of 7 weekly entries the minutes are missing." in found.notes
    assert found.notes[-2].startswith("In 1 of 6 weekly entries of stimulation a level is missing")


def test_the_t_interval_is_that_of_scipy(rng):
    """scipy.stats.t.interval on the patients' minutes."""
    from scipy import stats

    minutes = rng.uniform(20, 100, 12).round()
    rows = [
        dict(zip(WIDE, (f"p{i}", 1, "exercise", 5, 3, m, np.nan, np.nan), strict=True)) for i, m in enumerate(minutes)
    ]
    found = home_dose(cohort_of_sessions(rows, {f"p{i}": "usual" for i in range(12)}), level=0.9)
    row = found.table.query("quantity == 'minutes'").iloc[0]
    expected = stats.t.interval(0.9, 11, minutes.mean(), stats.sem(minutes))
    assert (row["lower"], row["upper"]) == pytest.approx(expected)


def test_a_generated_cohort_delivers_what_its_scenario_says():
    """Expected dose of a week: sessions done x minutes (short by the half-normal of 8 %: 20 x (1 - .08 x .798)) x mean
    level of the scenario, 32 % above the knee and 38 % at the thigh in the first week; 2,000 patients."""
    cohort = generate_cohort(patients=2000, seed=4).complete
    entries = dose_entries(cohort).query(f"modality == '{NMES}' and week == 1")
    stimulation = next(m for m in load_scenario("ligament reconstruction").modalities if m.modality == NMES)
    minutes = entries["sessions_done"].mean() * stimulation.minutes * (1 - 0.08 * 0.7979)
    assert entries["minutes"].mean() == pytest.approx(minutes, rel=0.005)
    assert entries["dose_knee"].mean() == pytest.approx(minutes * 0.32, rel=0.03)
    assert entries["dose_thigh"].mean() == pytest.approx(minutes * 0.38, rel=0.03)


def test_not_recorded():
    visits = pd.DataFrame({"patient_id": ["a"], "week": 0, "measure": "pain", "limb": "none", "value": 5})
    found = home_dose(Cohort(pd.DataFrame({"patient_id": ["a"], "protocol": ["usual"]}), visits))
    assert not found.recorded
    assert found.table.empty
    assert found.overall.empty
    assert found.notes == ("Home sessions were not recorded: nothing can be said about adherence.",)


def test_pauses_are_counted_a_session_where_they_are_on_record():
    """a: 8 pauses in 4 sessions and 1 in 2, 9 of 6; b: of 0 sessions nothing, then 3 in 3; c: not on record."""
    entries = [
        {**one, "pauses": {("a", 1): 8, ("a", 2): 1, ("b", 2): 3}.get((one["patient_id"], one["week"]), np.nan)}
        for one in ENTRIES
    ]
    found = home_dose(cohort_of_sessions(entries, {"a": "usual", "b": "usual", "c": "early"}))
    people = found.patients.set_index(["patient_id", "modality"])["pauses_a_session"]
    assert people[("a", NMES)] == pytest.approx(1.5)
    assert people[("b", NMES)] == pytest.approx(1.0)
    assert np.isnan(people[("c", NMES)])
    told = found.overall[found.overall["quantity"] == "pauses a session"].set_index(["protocol", "modality"])
    assert set(told.index.get_level_values("modality")) == {NMES}
    assert told.loc[("usual", NMES), ["n", "mean"]].tolist() == [2, pytest.approx(1.25)]
    assert told.loc[("early", NMES), "n"] == 0
