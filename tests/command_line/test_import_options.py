"""kneecurve import: a suggested map, the report of visit windows, links and bombs, all findings shown."""

import pytest

DATA = "id,arm,week,pain\nP1,usual,0,6\nP1,usual,6.4,3\nP2,early,0,5\nP2,early,5.5,2\nP2,early,6.5,1\n"
MAP = """
[patients]
patient_id = "id"
protocol = "arm"
[week]
column = "week"
[schedule]
weeks = [0, 6]
[[values]]
measure = "pain"
column = "pain"
"""


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "data.csv").write_text(DATA)
    (tmp_path / "map.toml").write_text(MAP)
    return tmp_path


def test_a_suggested_map_is_written_beside_the_user_and_then_imports(kneecurve, place):
    answer = kneecurve("import", "data.csv", "--suggest-map")
    assert answer.code == 0, answer.err
    assert "data_map.toml" in answer.out
    assert kneecurve("import", "data.csv", "--map", "data_map.toml", "--out", "cohort").code == 0
    again = kneecurve("import", "data.csv", "--suggest-map")
    assert again.code == 1
    assert "never overwritten" in again.err


def test_what_the_windows_did_is_told_and_written(kneecurve, place):
    words = ("import", "data.csv", "--map", "map.toml", "--out", "cohort", "--schedule-report", "moved.csv")
    answer = kneecurve(*words)
    assert answer.code == 0, answer.err
    assert "2 values on their scheduled week, 2 moved to it, 0 unscheduled" in answer.out
    assert "1 dropped" in answer.out
    assert (place / "moved.csv").read_text().count("\n") == 6
    refused = kneecurve(*words, "--overwrite")
    assert refused.code == 1
    assert "a file of that name already" in refused.err


def test_a_schedule_report_without_windows(kneecurve, place):
    (place / "map.toml").write_text(MAP.replace("[schedule]\nweeks = [0, 6]\n", ""))
    answer = kneecurve("import", "data.csv", "--map", "map.toml", "--out", "cohort", "--schedule-report", "moved.csv")
    assert answer.code == 1
    assert "no visit windows" in answer.err
    assert not (place / "cohort").exists()


def test_every_finding_is_shown_with_what_to_do(kneecurve, place):
    rows = "".join(f"P{i},usual,0,much\n" for i in range(3, 13))
    (place / "data.csv").write_text(DATA + rows)
    answer = kneecurve("import", "data.csv", "--map", "map.toml", "--out", "cohort")
    assert answer.code == 1
    assert answer.out.count("text where a number is expected") == 10
    assert "Correct the cell" in answer.out
    assert "10 errors" in answer.err
    assert not (place / "cohort").exists()


def test_warnings_of_the_import_are_shown_with_the_rows_of_the_file(kneecurve, place):
    rows = "P2,early,0,5,44\nP1,usual,6,3,31\nP1,usual,0,6,30\nP2,early,6,2,44\n"
    (place / "data.csv").write_text("id,arm,week,pain,age\n" + rows)
    (place / "map.toml").write_text(MAP.replace('protocol = "arm"', 'protocol = "arm"\nage_years = "age"'))
    answer = kneecurve("import", "data.csv", "--map", "map.toml", "--out", "cohort")
    assert answer.code == 0, answer.err
    assert "row 4, patient P1, age = 30: differs from the first value of the patient" in answer.out
    assert "The first value is taken." in answer.out


@pytest.mark.parametrize(
    ("words", "said"),
    [(("--out", "x"), "--map is missing"), (("--map", "map.toml"), "--out is missing")],
)
def test_what_is_missing(kneecurve, place, words, said):
    answer = kneecurve("import", "data.csv", *words)
    assert answer.code == 1
    assert said in answer.err
    assert "--suggest-map" in answer.err


def test_a_folder_with_a_link(kneecurve, place):
    (place / "in").mkdir()
    (place / "in" / "data.csv").symlink_to(place / "data.csv")
    answer = kneecurve("import", "in", "--map", "map.toml", "--out", "cohort")
    assert answer.code == 1
    assert "The folder holds a link" in answer.err
    assert not (place / "cohort").exists()


def test_a_quarter_says_which_key_of_the_map_it_needs(kneecurve, place):
    (place / "data.csv").write_text("id,arm,start,week,pain\nP1,usual,2026-Q1,0,6\nP2,early,2026-Q2,0,5\n")
    (place / "map.toml").write_text(MAP.replace('protocol = "arm"', 'protocol = "arm"\nquarter = "start"'))
    words = ("import", "data.csv", "--map", "map.toml", "--out", "cohort")
    answer = kneecurve(*words)
    assert answer.code == 1
    assert 'privacy = "limited" at the top of the map, before its first section' in answer.err
    assert "a data use agreement or for the organisation's own quality work" in answer.err
    (place / "map.toml").write_text('privacy = "limited"\n' + (place / "map.toml").read_text())
    assert kneecurve(*words).code == 0
