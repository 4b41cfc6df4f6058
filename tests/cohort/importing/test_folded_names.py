"""Blanks and forms of characters make no new protocol, site or patient, and the import says how many cells were folded."""

import pytest

from analysis.cohort import import_cohort

MAP = """
reference = "usual "
[files]
patients = "people.csv"
visits = "visits.csv"
[patients]
patient_id = "id"
protocol = { column = "arm", recode = { "e " = "early" } }
site = "clinic"
[week]
column = "week"
[[values]]
measure = "pain"
column = "pain"
"""
PEOPLE = "id,arm,clinic\nP1,usual,north\nP2,usual ,north\n\u00a0P3,usual\u00a0,ｎｏｒｔｈ\nP4,ｕｓｕａｌ,north\nP5,e,north\nP6,e ,north\n"
VISITS = "id,week,pain\nP1,0,6\nP1 ,6,5\nP2,0,5\nP3\u200b,0,5\nＰ4,0,4\nP5,0,4\nP6,0,4\n"


@pytest.fixture
def imported(tmp_path):
    def run(people=PEOPLE, visits=VISITS, text=MAP):
        for name, content in (("people.csv", people), ("visits.csv", visits)):
            (tmp_path / "in").mkdir(exist_ok=True)
            (tmp_path / "in" / name).write_text(content, encoding="utf-8")
        (tmp_path / "map.toml").write_text(text, encoding="utf-8")
        return import_cohort(tmp_path / "in", tmp_path / "map.toml")

    return run


def test_one_protocol_one_site_and_patients_that_link(imported):
    cohort = imported().cohort
    assert cohort.protocols == ["usual", "early"]
    assert cohort.reference == "usual"
    assert cohort.patients["site"].cat.categories.tolist() == ["north"]
    assert cohort.patients["patient_id"].tolist() == ["P1", "P2", "P3", "P4", "P5", "P6"]
    assert cohort.visits.groupby("patient_id").size().to_dict() == {
        "P1": 2,
        "P2": 1,
        "P3": 1,
        "P4": 1,
        "P5": 1,
        "P6": 1,
    }


def test_it_is_said_how_many_cells_were_folded(imported):
    findings = imported().checked.findings
    told = findings[findings["problem"].str.contains("folded")]
    said = {(row.table, row.column): row.problem for row in told.itertuples()}
    assert {place: text.split(":")[0] for place, text in said.items()} == {
        ("people.csv", "id"): "1 of 6 cells was folded",
        ("people.csv", "arm"): "3 of 6 cells were folded",
        ("visits.csv", "id"): "3 of 7 cells were folded",
    }
    assert said["people.csv", "arm"].endswith("1 name stood there in several spellings")
    assert said["people.csv", "id"].endswith("no name stood there in several spellings")
    assert said["visits.csv", "id"].endswith("1 name stood there in several spellings")
    assert set(told["severity"]) == {"warning"}


def test_nothing_is_said_where_nothing_was_folded(imported):
    plain = imported(PEOPLE.replace(" ", "").replace("\u00a0", "").replace("ｕｓｕａｌ", "usual").replace("ｎｏｒｔｈ", "north"),
                     "id,week,pain\nP1,0,6\nP2,0,6\nP3,0,6\nP4,0,6\nP5,0,6\nP6,0,6\n")  # fmt: skip
    assert not plain.checked.findings["problem"].str.contains("folded").any()


def test_capitals_and_look_alikes_stay_apart_and_are_told(imported):
    found = imported(PEOPLE.replace("P2,usual ", "P2,usu\u0430l").replace("P1,usual", "P1,Usual"))
    assert found.cohort.protocols == ["Usual", "usu\u0430l", "usual", "early"]
    told = found.checked.findings
    told = told[told["problem"].str.contains("differs from") & (told["column"] == "protocol")]
    assert told["row"].tolist() == [3, 4]


def test_a_key_of_recode_counts_as_written_before_it_counts_folded(imported):
    other = MAP.replace('{ "e " = "early" }', '{ "e" = "early", "e " = "other" }')
    assert imported(text=other).cohort.protocols == ["usual", "early", "other"]


def test_prescriptions_name_protocols_in_any_spelling(imported, tmp_path):
    log = (
        '\n[session_log]\nweek = "week"\nmodality = { constant = "exercise" }\nminutes = "minutes"\n[[session_log.prescribed]]\n'
        'protocol = "usual\u00a0"\nmodality = "exercise"\nsessions = 3\nweeks = [1, 2]\n'
    )
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "log.csv").write_text("id,week,minutes\nP1,1,20\nP1 ,1,20\n", encoding="utf-8")
    cohort = imported(text=MAP.replace("[patients]", 'session_log = "log.csv"\n[patients]', 1) + log).cohort
    sessions = cohort.sessions.set_index(["patient_id", "week"])
    assert sessions.loc[("P1", 1), ["sessions_done", "sessions_prescribed"]].tolist() == [2, 3]
    assert sessions.loc[("P4", 1), ["sessions_done", "sessions_prescribed"]].tolist() == [0, 3]
