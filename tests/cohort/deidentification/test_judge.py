"""What passes by itself, what is changed, and what is withheld until somebody permits it."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort.deidentification.judge import Surroundings, judge, judge_known, what_it_seems
from analysis.cohort.recognition.cells import Cells
from analysis.cohort.tables import TABLES

N = 40
PATIENTS = pd.Series([f"P{i}" for i in range(N)])
STARTS = pd.Series(pd.date_range("2022-01-03", periods=N, freq="9D"))


def judged(name, cells, **around):
    values = cells if isinstance(cells, pd.Series) else pd.Series([cells[i % len(cells)] for i in range(N)])
    return judge(values, name, Surroundings(PATIENTS, **{"starts": STARTS, **around}))


@pytest.mark.parametrize(
    ("name", "cells"),
    [
        ("Quad op (Nm) 6wk", [80.5, 120, 95.25]),
        ("koos_pain", ["45,5", "60", "n/a"]),
        ("knee flexion", ["<20", "110", ">140"]),
        ("side", ["left", "right"]),
        ("graft", ["hamstring", "patellar tendon"]),
        ("complication", ["ja", "nein"]),
        ("X7", ["yes", "no"]),  # by its cells: two answers, whatever was asked
        ("X8", ["mild", "moderate", "severe"]),
        ("X9", [0, 1, 2, 3]),
    ],
)
def test_what_is_known_to_be_harmless_stays(name, cells):
    assert judged(name, cells).act == "keep"


@pytest.mark.parametrize(
    ("name", "cells"),
    [
        ("X1", [80.5, 120, 95.25]),  # numbers that nothing explains
        ("ward", ["3b", "4a"]),
        ("side", ["left", "right", "Amberg"]),  # one cell does not fit
        ("torque", ["120", "95", "see Ms Amberg"]),
        ("koos_pain", [4711001, 9822002, 1233003]),
        ("torque_device", ["A1-22", "A1-23"]),
        ("side", ["\u043b\u0435\u0432\u043e", "\u043f\u0440\u0430\u0432\u043e"]),
        ("X9", [1, 2, 12]),  # months of birth could be that
        ("ward number", [1, 2, 3]),
        ("comment", ["better", "pain at night"]),
        # what an attacker tried who had read the rules
        ("Behandler", [1, 2, 3]),
        ("consultant", ["Long", "Short"]),
        ("procedure", ["Long", "Root"]),
        ("brace", ["Walker", "none"]),
        ("status", ["L White", "Page"]),
        ("side", ["left", "left \u280e\u280d"]),
        ("session", ["12-03", "14-07"]),
        ("stratum", ["80-84", "90-94"]),
        ("group", ["017", "018"]),
        ("visit", ["week 14", "day 12 month 3"]),
        ("op", [1207, 305, 2811, 1411, 1009]),
        ("steps", [44321, 44350, 44402, 44500, 44611]),
        ("travel", [94110, 60614, 10001]),
    ],
)
def test_everything_else_is_withheld(name, cells):
    assert judged(name, cells).act == "withhold"


def test_numbers_that_count_the_patients_are_withheld_under_any_name():
    assert judged("koos_pain", pd.Series(range(1, N + 1))).act == "withhold"
    assert judged("torque", pd.Series([20 + 3 * i for i in range(N)])).act == "withhold"  # they only rise
    assert judged("torque", pd.Series([20 + (7 * i) % 41 for i in range(N)])).act == "keep"


@pytest.mark.parametrize(
    "name", ["OP-Nr", "visit no", "CRF no", "op ref", "torque sensor", "blood bag", "medication number"]
)
def test_whole_numbers_of_one_patient_each_are_withheld_where_the_name_may_number_records(name):
    assert judged(name, pd.Series([1000 + (373 * i) % 911 for i in range(N)])).act == "withhold"


@pytest.mark.parametrize(
    "name", ["op_day", "op month", "surgery week", "day", "month", "visit", "week", "OP-Woche", "year"]
)
def test_parts_of_the_date_of_the_start_are_withheld(name):
    start = STARTS.dt
    for part in (start.day, start.month, start.year, start.isocalendar()["week"], start.day_of_year):
        assert judged(name, part.astype("int64").reset_index(drop=True)).act == "withhold"


def test_times_to_one_day_are_seen_where_some_patients_have_a_day_of_their_own():
    weeks = ((pd.Timestamp("2023-06-30") - STARTS).dt.days / 7).mask(pd.Series(range(N)) % 8 == 0, 5.0)
    assert judged("follow up weeks", weeks).act == "withhold"


@pytest.mark.parametrize(
    ("name", "cells", "act"),
    [
        ("age", [34, 67, 89], "keep"),
        ("leeftijd", [34, 67, 93], "cap"),
        ("age_6_months", [34, 67, 93], "cap"),
        ("age at 12 weeks", [34, 67, 93], "cap"),
        ("Alter", [34, 67, 93], "cap"),
        ("age_months", [400, 1100], "cap"),
        ("age", ["34", "91+"], "withhold"),
        ("age", [1950, 1961], "withhold"),
        ("birth_week", [-4885, -1200], "withhold"),
    ],
)
def test_ages_are_capped_in_their_unit(name, cells, act):
    assert judged(name, cells).act == act


def test_dates_become_weeks_where_they_are_the_patients_own():
    visits = STARTS + pd.Timedelta(weeks=6)
    assert judged("seen", visits).act == "weeks"
    assert judged("seen", visits.dt.strftime("%d.%m.%Y")).act == "weeks"
    assert judged("seen", visits, starts=None).act == "withhold"
    assert judged("seen", visits.dt.strftime("%Y-%m-%d").mask(visits.index == 3, "soon")).act == "withhold"


def test_dates_that_others_know_are_withheld():
    same = pd.Series(pd.Timestamp("2023-06-30"), index=range(N))
    assert judged("seen", same).act == "withhold"
    assert judged("export date", STARTS + pd.Timedelta(weeks=6)).act == "withhold"
    nearly = same + pd.to_timedelta([i % 4 for i in range(N)], unit="D")
    assert judged("seen", nearly).act == "withhold"
    a_fifth = (STARTS + pd.Timedelta(weeks=6)).mask(pd.Series(range(N)) % 5 == 0, pd.Timestamp("2023-06-30"))
    assert judged("seen", a_fifth).act == "withhold"


@pytest.mark.parametrize(
    ("unit", "name"), [(1, "days since surgery"), (7, "weeks post op"), (30.436875, "months of follow up")]
)
@pytest.mark.parametrize("sign", [1, -1])
def test_times_to_one_day_are_withheld_as_numbers_too(unit, name, sign):
    # the numbers give back the start of 40 of 40 patients to whoever knows the day of the export
    numbers = sign * (pd.Timestamp("2023-06-30") - STARTS).dt.days / unit
    assert judged(name, numbers).act == "withhold"
    own = judged(name, pd.Series([(5 * i) % 23 for i in range(N)]))
    assert own.act == "keep"


def visits_of_a_clinic(patients: int, seed: int) -> pd.DataFrame:
    """Five visits of each patient by plan, all on the one day of the week on which the clinic sees its patients."""
    rng = np.random.default_rng(seed)
    starts = pd.Timestamp("2024-01-01") + pd.to_timedelta(rng.integers(0, 182, patients), unit="D")
    rows = [(f"P{i}", start, start + pd.Timedelta(days=week * 7 + int(rng.integers(-5, 6)))) for i, start in enumerate(starts)
            for week in (0, 6, 12, 26, 52)]  # fmt: skip
    table = pd.DataFrame(rows, columns=["patient", "start", "seen"]).astype(
        {"start": "datetime64[us]", "seen": "datetime64[us]"}
    )
    return table.assign(seen=table["seen"] + pd.to_timedelta((1 - table["seen"].dt.day_of_week) % 7, unit="D"))


@pytest.mark.parametrize("patients", [8, 12, 30, 120])
def test_visits_by_plan_on_the_days_of_a_clinic_become_weeks(patients):
    for seed in range(5):
        table = visits_of_a_clinic(patients, seed)
        assert judge(table["seen"], "seen", Surroundings(table["patient"], table["start"])).act == "weeks"


@pytest.mark.parametrize("patients", [12, 30])
def test_measurements_are_not_taken_for_times_by_chance(patients):
    rng = np.random.default_rng(1)
    columns = {
        "koos_pain": (30, 100),
        "tegner": (0, 10),
        "asa class": (1, 4),
        "flexion": (101, 131),
        "sessions_done": (0, 15),
    }
    for _ in range(4):
        starts = pd.Series(pd.Timestamp("2024-01-01") + pd.to_timedelta(rng.integers(0, 80, patients), unit="D"))
        around = Surroundings(pd.Series([f"P{i}" for i in range(patients)]), starts.astype("datetime64[us]"))
        for name, ends in columns.items():
            assert judge(pd.Series(rng.integers(*ends, patients)), name, around).act == "keep", name


def test_dates_long_before_the_start_are_withheld_as_births():
    births = STARTS - pd.to_timedelta([365 * (30 + i % 25) for i in range(N)], unit="D")
    assert judged("X1", births).act == "withhold"
    assert judged("dob", births).act == "birth"


def test_zip_codes_of_the_united_states_only():
    assert judged("zip", ["94110", "60614-2210"]).act == "zip3"
    assert judged("zip", ["94110", "\uff19\uff14\uff11\uff11\uff10"]).act == "withhold"
    assert judged("PLZ", ["80331", "50667"]).act == "withhold"


def test_sites_are_numbered_and_stay_at_the_limited_level():
    assert judged("site", ["north", "south"]).act == "number"
    assert judged("site", ["north", "south"], level="limited").act == "keep"
    assert judged("hospital_number", [f"{i}" for i in range(N)]).act == "withhold"


def test_labels_of_a_cohort_that_nobody_permitted_must_be_words_of_the_trade():
    protocol = TABLES["patients"].column("protocol")
    around = Surroundings(PATIENTS.iloc[:2])
    usual, named = pd.Series(["usual", "early motion"]), pd.Series(["usual", "Amberg programme"])
    assert judge_known(usual, protocol, around).act == "keep"
    assert judge_known(named, protocol, around).act == "withhold"


@pytest.mark.parametrize(
    ("cells", "seems"),
    [
        ([None, "n/a"], "nothing"),
        (["1,5", "<20", "80 %"], "numbers"),
        (["2024-01-02", "2024-02-03"], "dates"),
        ([20240102, 20240203], "dates"),
        (["a", "b"], "labels"),
        ([f"KX-{i:05d}" for i in range(N)], "codes of single patients"),
        ([f"patient number {i} came on foot and went by bus" for i in range(N)], "texts"),
    ],
)
def test_what_a_column_seems_to_be(cells, seems):
    assert what_it_seems(Cells(pd.Series([cells[i % len(cells)] for i in range(N)])), N) == seems


NOTES = (
    ["speaks Turkish", "will move to her daughter"],
    ["better", "left knee better"],
    ["mild", "none"],
    ["left", "right"],
    ["yes", "x"],
)


@pytest.mark.parametrize(
    "name", ["comment", "remark", "Notes", "free text", "Bemerkung", "Freitext", "remarques", "pain comment", "uwagi"]
)
@pytest.mark.parametrize("cells", NOTES, ids=lambda cells: cells[0])
def test_notes_are_withheld_whole_however_short_and_whatever_their_words(name, cells):
    values = pd.Series([None] * N, dtype=object)
    values[3], values[9] = cells
    found = judge(values, name, Surroundings(PATIENTS))
    assert (found.act, found.seems) == ("withhold", "texts")


@pytest.mark.parametrize(("name", "cells"), [("note_douleur", [3, 4, 6]), ("noted pain", ["mild", "severe"])])
def test_numbers_and_other_names_are_no_notes(name, cells):
    assert judged(name, cells).found != "notes, by the name of the column"


@pytest.mark.parametrize(
    ("cells", "seems"),
    [
        (["speaks Turkish", "will move to her daughter"], "texts"),  # a note of two of forty patients
        (["early motion", "usual care", "brace at night"] * 12, "labels"),
        (["early motion", "early motion", "usual care"], "labels"),  # half of them come twice
        (["speaks Turkish"] * 2, "labels"),
    ],
)
def test_short_texts_of_one_patient_each_are_no_labels(cells, seems):
    values = pd.Series([*cells, *[None] * (N - len(cells))], dtype=object)
    assert what_it_seems(Cells(values), N, PATIENTS) == seems


def test_a_note_that_is_repeated_at_each_visit_of_its_patient_is_of_one_patient():
    values = pd.Series([f"walks with stick {'abcdefgh'[i]}{'abcdefgh'[i]}" for i in range(8) for _ in range(5)])
    patients = pd.Series([f"P{i}" for i in range(8) for _ in range(5)])
    assert what_it_seems(Cells(values), 8, patients) == "texts"
    assert what_it_seems(Cells(values), 16) == "labels"
