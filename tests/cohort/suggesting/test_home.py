"""A first map of the home programme: a log with one row a session, weekly counts, and what is to be checked."""

import tomllib

import pytest

from analysis.cohort import import_cohort, suggest_map
from analysis.cohort.importing.map_file import read_map
from analysis.cohort.modalities import NMES, TENS

PEOPLE = "id,arm,surgery\nP1,usual,2024-01-01\nP2,early,2024-02-01\n"
VISITS = "id,week,pain\nP1,0,6\nP1,6,3\nP2,0,5\nP2,6,2\n"
WHOLE_MAP = """
[files]
patients = "people.csv"
visits = "visits.csv"
session_log = "sessions.csv"

[patients]
patient_id = "id"
protocol = "arm"

[week]
column = "week"
start = "surgery"

[[values]]
measure = "pain"
column = "pain"

"""
LOG = """id,began,ended,kind,minutes,level,pauses,device_note
P1,2024-01-01 10:00,2024-01-01 10:20,NMES,20,40,1,ok
P1,2024-01-03 09:00,2024-01-03 09:15,NMES,10,60,0,ok
P1,2024-01-03 18:00,2024-01-03 18:30,TENS,30,20,0,late
P2,2024-02-09 10:00,2024-02-09 10:20,exercises,20,,0,ok
"""


@pytest.fixture
def suggested(tmp_path):
    def run(content, name="sessions.csv", map_file="part.toml"):
        (tmp_path / name).write_text(content)
        questions = suggest_map(tmp_path / name, tmp_path / map_file)
        text = (tmp_path / map_file).read_text()
        assert text.count("# not sure") == questions
        return text

    return run


def test_a_log_becomes_a_part_of_a_map_that_imports_with_the_rest(suggested, tmp_path):
    text = suggested(LOG)
    assert "one row a session" in text
    assert "no outcome measure, so this is a part of a map" in text
    part = tomllib.loads(text)
    assert part["files"] == {"session_log": "sessions.csv"}
    log = part["session_log"]
    assert (log["patient_id"], log["start"], log["end"], log["minutes"]) == ("id", "began", "ended", "minutes")
    assert log["modality"] == "kind"  # NMES, TENS, exercises: spellings that the import knows
    assert (log["level_knee"], log["pauses"]) == ("level", "pauses")
    assert "patients" not in part
    assert "# not sure: knee or thigh?" in text
    assert "# prescribed = {" in text
    assert "device_note: labels: ok, late" in text
    (tmp_path / "in").mkdir()
    for name, content in (("people.csv", PEOPLE), ("visits.csv", VISITS), ("sessions.csv", LOG)):
        (tmp_path / "in" / name).write_text(content)
    own = text[text.index("[session_log]") :]
    (tmp_path / "whole.toml").write_text(WHOLE_MAP + own)
    sessions = import_cohort(tmp_path / "in", tmp_path / "whole.toml").cohort.sessions
    assert sessions[["patient_id", "week", "modality", "sessions_done", "minutes_done"]].astype(object).to_numpy().tolist() == [
        ["P1", 1, NMES, 2, 30],
        ["P1", 1, TENS, 1, 30],
        ["P2", 2, "exercise", 1, 20],
    ]  # fmt: skip


def test_a_log_with_weeks_and_without_a_modality(suggested):
    text = suggested("patient,week,minutes\na,0,20\na,0,15\na,1,20\nb,1,10\n")
    log = tomllib.loads(text)["session_log"]
    assert (log["week"], log["modality"]) == ("week", {"constant": "exercise"})
    assert "# not sure: weeks of the programme count from 1, and here is a week 0" in text
    assert "# not sure: no column is named like the kind of session" in text


@pytest.mark.parametrize("start", ["start", "session_start", "date"])
def test_the_start_of_a_session_is_told_from_the_start_of_the_programme(suggested, start):
    text = suggested(
        f"id,surgery_date,{start},modality,duration_min\na,2024-01-01,2024-01-02,exercise,20\n"
        "a,2024-01-01,2024-01-05,exercise,30\nb,2024-02-01,2024-02-02,exercise,20\nb,2024-02-01,2024-02-03,exercise,20\n"
    )
    log = tomllib.loads(text)["session_log"]
    assert (log["start"], log["modality"], log["minutes"]) == (start, "modality", "duration_min")
    assert 'under [week]: start = "surgery_date"' in text


def test_weekly_counts_in_a_file_of_their_own(suggested, tmp_path):
    text = suggested(
        "id,week,modality,sessions planned,sessions done,minutes done,level_knee,level_thigh\n"
        "a,1,exercise,5,4,80,,\na,2,exercise,5,5,100,,\na,1,neuromuscular electrical stimulation (NMES),5,5,100,40,130\n"
    )
    part = tomllib.loads(text)
    assert "one row a week" in text
    assert part["files"] == {"sessions": "sessions.csv"}
    assert part["sessions"] == {
        "patient_id": "id", "week": "week", "modality": "modality", "sessions_prescribed": "sessions planned",
        "sessions_done": "sessions done", "minutes_done": "minutes done", "level_knee": "level_knee",
        "level_thigh": "level_thigh",
    }  # fmt: skip
    assert 'level_thigh = "level_thigh"  # not sure: values from 130 to 130; it should be 0 to 100 %' in text


def test_weekly_counts_beside_the_measures_of_a_visit(suggested, tmp_path):
    text = suggested(
        "id,arm,week,pain,sessions_done\na,x,0,6,\na,x,6,3,4\nb,y,0,5,\nb,y,6,2,0\nc,y,0,5,\n", name="visits.csv"
    )
    data = tomllib.loads(text)
    assert "files" not in data
    assert data["sessions"] == {"week": "week", "modality": {"constant": "exercise"}, "sessions_done": "sessions_done"}
    assert "# not sure: are these the sessions of that one week?" in text
    assert [entry["measure"] for entry in data["values"]] == ["pain"]
    sessions = import_cohort(tmp_path / "visits.csv", tmp_path / "part.toml").cohort.sessions
    assert sessions[["patient_id", "week", "sessions_done"]].to_numpy().tolist() == [["a", 6, 4], ["b", 6, 0]]


def test_weekly_counts_in_columns_are_left_out_with_the_reason(suggested, tmp_path):
    text = suggested("id,arm,koos_pain_pre,koos_pain_6w,sessions_w1,sessions_w2\na,x,40,60,5,4\nb,y,45,70,3,5\n")
    assert "sessions_w1: the home programme by week in columns" in text
    assert "one row a week" in text
    assert len(import_cohort(tmp_path / "sessions.csv", tmp_path / "part.toml").cohort.visits) == 4


@pytest.mark.parametrize("column", ["six_minute_walk", "symptom_duration", "session_room", "minutes_to_clinic"])
def test_a_file_of_visits_is_no_home_programme(suggested, tmp_path, column):
    suggested(f"id,arm,week,pain,{column}\na,x,0,6,400\na,x,6,3,420\nb,y,0,5,380\nb,y,6,2,390\n")
    mapped = read_map(tmp_path / "part.toml")
    assert mapped.home == ()
    assert mapped.session_log is None


def test_days_in_place_of_weeks_and_minutes_that_may_be_seconds(suggested):
    text = suggested("id,day,modality,minutes\na,1,exercise,1200\na,1,exercise,900\na,3,exercise,1500\n")
    assert "# not sure: the map takes weeks of the programme here, and the column is named like days" in text
    assert "# not sure: values up to 1500; are these minutes?" in text


def test_labels_and_names_with_line_breaks_make_a_map_that_reads(suggested):
    text = suggested(
        '"i""d",week,modality,minutes,"no\nte"\na,1,"NMES\n= 1",20,"x\n= 1"\na,1,"q\n= 1",20,y\n"a",1,"q\n= 1",20,y\n'
    )
    assert tomllib.loads(text)["session_log"]["modality"]["recode"] == {"NMES\n= 1": NMES}
    text = suggested('id,arm,week,pain,smoker\na,x,0,6,"y\n= 1"\nb,y,6,3,n\n', name="visits.csv", map_file="two.toml")
    assert tomllib.loads(text)["patients"] == {"patient_id": "id", "protocol": "arm"}


def test_kinds_of_session_that_are_not_known_are_asked_for(suggested):
    text = suggested(
        "id,week,modality,minutes\na,1,exercise,20\na,1,cycling,20\na,1,zzz,20\na,1,exercise,20\na,2,Jane Roe,9\n"
    )
    assert tomllib.loads(text)["session_log"]["modality"]["recode"] == {"cycling": "exercise"}
    assert "what is aaa, Aaaa Aaa?" in text
    assert "Roe" not in text
