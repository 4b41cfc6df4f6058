"""Folders of tables: what the map names, logs and prescriptions, and what stops an import."""

import pytest

from analysis.cohort import FailedCheckError, import_cohort
from analysis.cohort.modalities import TENS
from analysis.errors import CohortError

from .one_measure import DATA, LONG

FOLDER = """
[files]
patients = "people.csv"
visits = { file = "visits.csv", delimiter = ";" }
session_log = "log.csv"
brace_limits = "brace.csv"
events = "events.csv"
[patients]
patient_id = "id"
protocol = "arm"
[visits]
patient_id = "subject"
[week]
date = "seen"
start = "op"
[[values]]
measure = "pain"
column = "pain"
[[values]]
measure = "ikdc"
column = "score"
file = "scores.csv"
[session_log]
patient_id = "who"
start = "from"
end = "to"
modality = "kind"
minutes = "min"
level_knee = "level"
prescribed = { exercise = 2 }
weeks = [1, 2]
[brace_limits]
date = "on"
flexion_limit_deg = "lateral"
flexion_limit_other_hinge_deg = "medial"
[events]
date = "on"
event = { column = "what", recode = { rash = "skin irritation" } }
"""
TABLES = {
    "people__csv": "id,arm,op\nP1,usual,2024-01-01\nP2,early,2024-01-08\n",
    "visits__csv": "subject;seen;pain\nP2;2024-01-08;6\nP1;2024-01-01;5\n",
    "scores__csv": "subject,seen,score\nP1,2024-02-12,60\n",
    "log__csv": "who,from,to,kind,min,level\nP1,2024-01-02 08:00,2024-01-02 08:30,exercise,30,\n"
    "P1,2024-01-09 08:00,2024-01-09 08:30,exercise,20,\n",
    "brace__csv": "id,on,lateral,medial\nP1,2024-01-01,60,60\nP1,2024-01-15,90,80\n",
    "events__csv": "id,on,what\nP2,2024-01-22,rash\n",
}


def test_a_folder_of_tables(files):
    cohort = files(FOLDER, path="", **TABLES)
    assert cohort.visits[["patient_id", "week", "measure", "value"]].to_numpy().tolist() == [
        ["P1", 0, "pain", 5], ["P1", 6, "ikdc", 60], ["P2", 0, "pain", 6]
    ]  # fmt: skip
    done = cohort.sessions.set_index(["patient_id", "week"])["sessions_done"]
    assert done.to_dict() == {("P1", 1): 1, ("P1", 2): 1, ("P2", 1): 0, ("P2", 2): 0}
    assert cohort.brace_limits[["week", "flexion_limit_deg", "both_hinges_agree"]].to_numpy().tolist() == [
        [0, 60, True],
        [2, 90, False],
    ]
    assert cohort.events[["patient_id", "week", "event"]].to_numpy().tolist() == [["P2", 2, "skin irritation"]]
    assert [source.name for source in cohort.provenance.sources] == [
        "people.csv", "visits.csv", "scores.csv", "brace.csv", "events.csv", "log.csv", "map.toml"
    ]  # fmt: skip


BY_PROTOCOL = FOLDER.replace("prescribed = { exercise = 2 }\nweeks = [1, 2]\n", """
[[session_log.prescribed]]
protocol = ["usual", "early"]
modality = "exercise"
sessions = 2
weeks = [1, 2]
[[session_log.prescribed]]
protocol = "early"
modality = "transcutaneous electrical nerve stimulation (TENS)"
sessions = 7
weeks = [1, 3]
""")  # fmt: skip


def test_sessions_are_prescribed_by_protocol(files):
    sessions = files(BY_PROTOCOL, path="", **TABLES).sessions
    asked = sessions.set_index(["patient_id", "modality", "week"])[["sessions_prescribed", "sessions_done"]]
    assert {key: tuple(row) for key, row in zip(asked.index, asked.to_numpy(), strict=True)} == {
        ("P1", "exercise", 1): (2, 1), ("P1", "exercise", 2): (2, 1), ("P2", "exercise", 1): (2, 0),
        ("P2", "exercise", 2): (2, 0), ("P2", TENS, 1): (7, 0), ("P2", TENS, 2): (7, 0),
        ("P2", TENS, 3): (7, 0),
    }  # fmt: skip


def test_a_prescription_to_a_protocol_that_nobody_has_stops_the_import(files):
    with pytest.raises(FailedCheckError) as caught:
        files(BY_PROTOCOL.replace('protocol = "early"', 'protocol = "Early"'), path="", **TABLES)
    row = caught.value.report.findings.iloc[0]
    assert (row["severity"], row["table"], row["value"]) == ("error", "map.toml", "Early")
    assert row["problem"] == "sessions are prescribed to a protocol that no patient has"
    assert row["what_to_do"] == "Write it as in the protocols of the patients: usual, early."


def test_prescribed_to_all_asks_about_a_protocol_without_a_session(files):
    """P2, early, logged nothing: the simple form counts two weeks of none done, and the check asks."""
    imported = files(FOLDER, import_cohort, path="", **TABLES)
    asked = imported.checked.findings.query("column == 'sessions_prescribed'")
    assert asked[["severity", "table", "problem"]].to_numpy().tolist() == [
        ["warning", "sessions", ("no session of exercise was done under early, though some are prescribed (1 patient): was it "
         "prescribed to them?")]
    ]  # fmt: skip
    assert "[[session_log.prescribed]]" in asked["what_to_do"].item()


def test_prescribed_to_all_leaves_out_five_patients_without_a_session_and_says_so(files):
    others = "".join(f"Q{k},early,2024-01-08\n" for k in range(4))
    imported = files(FOLDER, import_cohort, path="", **TABLES | {"people__csv": TABLES["people__csv"] + others})
    assert imported.cohort.sessions["patient_id"].unique().tolist() == ["P1"]
    asked = imported.checked.findings.query("column == 'prescribed'")
    assert asked[["severity", "problem"]].to_numpy().tolist() == [
        [
            "warning",
            "exercise is taken as not prescribed to early: none of its 5 patients has a session on record",
        ]
    ]


def test_impossible_sessions_of_a_log_stop_the_import_with_file_and_row(files):
    log = "who,from,to,kind,min,level\nP1,2024-01-02 08:00,2024-01-02 08:10,exercise,30,120\n"
    with pytest.raises(FailedCheckError) as caught:
        files(FOLDER, path="", **TABLES | {"log__csv": log + log.splitlines()[1] + "\n"})
    found = caught.value.report.findings
    logged = found[found["table"] == "log.csv"]
    assert set(logged["problem"]) == {
        "a stimulation level outside 0 to 100 %", "more minutes than from the start to the end of the session",
        "the same session twice: patient, start and modality",
    }  # fmt: skip
    assert set(logged["row"]) == {2, 3}


def test_the_week_in_which_braces_came_off_is_a_row_without_limits(files):
    brace = "id,week,bend,open\nP1,0,90,0\nP1,8,110,0\nP2,2,90,0\n"
    section = (
        '[brace_limits]\nworn_until = 6\nweek = "week"\nflexion_limit_deg = "bend"\nlocked = { constant = false }\n'
    )
    text = '[files]\npatients = "data.csv"\nvisits = "data.csv"\nbrace_limits = "brace.csv"\n' + LONG + section
    cohort = files(text, path="", data__csv=DATA, brace__csv=brace)
    table = cohort.brace_limits.astype("object").where(cohort.brace_limits.notna(), None)
    assert table[["patient_id", "week", "flexion_limit_deg", "locked"]].to_numpy().tolist() == [
        ["P1", 0, 90, False], ["P1", 8, 110, False], ["P2", 2, 90, False], ["P2", 6, None, None]
    ]  # fmt: skip


def test_a_link_in_a_folder_is_refused(files, tmp_path):
    (tmp_path / "elsewhere.csv").write_text(TABLES["events__csv"])
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "events.csv").symlink_to(tmp_path / "elsewhere.csv")
    rest = {name: content for name, content in TABLES.items() if "events" not in name}
    with pytest.raises(CohortError, match="The folder holds a link") as caught:
        files(FOLDER, path="", **rest)
    assert "events.csv" in caught.value.where


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"people.csv"', '"persons.csv"', "names the file 'persons.csv', which is not there"),
        ('"people.csv"', '"../people.csv"', "is not the name of a file in the folder"),
        ('"people.csv"', "{ }", "does not say which file holds the patients"),
        ('visits = { file = "visits.csv", delimiter = ";" }', "", "does not say which file holds the visits"),
        (
            'patients = "people.csv"\nvisits = { file = "visits.csv", delimiter = ";" }',
            "",
            "the patients and the visits",
        ),
        ('session_log = "log.csv"', "", "does not say which file holds the session_log"),
    ],
)
def test_files_that_the_map_names_wrongly(files, old, new, said):
    with pytest.raises(CohortError, match=said):
        files(FOLDER.replace(old, new, 1), path="", **TABLES)


def test_what_to_do_where_the_map_names_no_file_of_visits(files):
    with pytest.raises(CohortError) as caught:
        files(FOLDER.replace('visits = { file = "visits.csv", delimiter = ";" }', ""), path="", **TABLES)
    assert caught.value.where.startswith("map.toml, [files]; in holds: brace.csv, ")
    assert caught.value.what_to_do == 'Add under [files]: visits = "name of the file".'


def test_where_no_date_of_a_visit_can_be_read_only_that_is_said(files):
    """Every cell of the table of visits was said to be empty too."""
    with pytest.raises(FailedCheckError) as caught:
        files(LONG.replace('column = "week"', 'date = "seen"\nstart = "op"'),
              data__csv="id,arm,op,seen,pain\nP1,a,2024-03-01,1.3.24,7\nP2,b,2024-03-01,1.4.24,3\n")  # fmt: skip
    found = caught.value.report.findings.query("severity == 'error'")
    assert found[["table", "row", "problem"]].fillna(0).to_numpy().tolist() == [
        ["visits", 0, "the table has no row"],
        ["data.csv", 2, "no date as year-month-day"], ["data.csv", 3, "no date as year-month-day"],
    ]  # fmt: skip


@pytest.mark.parametrize("table", ["events", "log"])
def test_dates_in_an_unfitting_form_with_the_start_in_another_file(files, table):
    """They ended in a TypeError."""
    with pytest.raises(FailedCheckError) as caught:
        files(
            """
            [files]
            patients = "people.csv"
            visits = "visits.csv"
            TABLE = "FILE"
            [patients]
            patient_id = "id"
            protocol = "arm"
            [week]
            column = "week"
            start = "op"
            [[values]]
            measure = "pain"
            column = "pain"
            [TABLE]
            START = "seen"
            """.replace("TABLE", "events" if table == "events" else "session_log")
            .replace("START", "date" if table == "events" else "start").replace("FILE", f"{table}.csv")
            + ('event = "what"\n' if table == "events" else 'modality = { constant = "exercise" }\nminutes = "what"\n'),
            path="", people__csv="id,arm,op\nP1,a,01.02.2024\nP2,b,03.02.2024\n", visits__csv="id,week,pain\nP1,0,4\nP2,0,5\n",
            **{f"{table}__csv": f"id,seen,what\nP1,2024-02-05,{'flare' if table == 'events' else 20}\n"},
        )  # fmt: skip
    found = caught.value.report.findings
    wrong = found[found["problem"] == "no date as year-month-day"]
    assert wrong[["table", "row", "column", "value"]].to_numpy().tolist() == [
        ["people.csv", 2, "op", "99.99.9999"], ["people.csv", 3, "op", "99.99.9999"]
    ]  # fmt: skip
    assert wrong["what_to_do"].str.contains("date_format").all()


def test_a_folder_that_is_a_cohort_already_and_one_file_where_the_map_names_two(files, tmp_path):
    with pytest.raises(CohortError, match="but one file is imported"):
        files(FOLDER, path="people.csv", **TABLES)
    (tmp_path / "in" / "datapackage.json").write_text("{}")
    with pytest.raises(CohortError, match="a data package already"):
        files(FOLDER, path="", **TABLES)
