"""A name that no file can have ends in an error of the kit in every call that takes one, and in files that name others."""

import json
import shutil

import pandas as pd
import pytest

from analysis import KneecurveError, check_folder, deidentify, load_cohort, review_columns, suggest_map, write_cohort
from analysis.cohort import check_cohort, import_cohort
from analysis.cohort.schedule import VisitSchedule, VisitWindow, to_scheduled_weeks
from analysis.cohort.suggesting.ask import answer_map
from analysis.curves.formula.gathered import visit_moments
from analysis.curves.rows.moments import read_moments
from analysis.exploring import explore
from analysis.lessons import copy_lessons
from analysis.lessons.course.lesson_list import start_lesson
from analysis.quality import export_findings
from analysis.quality.site_export import write_findings
from analysis.quality.value_rules import read_value_rules
from analysis.quarter.aggregates import read_aggregates
from analysis.report import (
    copy_notebooks,
    export_report,
    make_report,
    plan_analysis,
    read_plan,
    repeat_report,
    write_plan,
)
from analysis.report.comparison import prepare_study
from analysis.report.one_patient import prepare_patient
from analysis.report.quality import prepare_check
from analysis.report.quarter import prepare_quarter
from analysis.report.running.placing import files_of_earlier
from analysis.report.running.record import read_record, record_inputs
from synthetic_cohort import generate_cohort, load_scenario

from .report.running.foreign_record import write_record

NAMES = {"long": "a" * 300, "zero character": "a\0b", "half a character": "a\ud800b"}
WORDS = ("No file has such a name.", "The name of the file or folder is too long.")
TABLE = "patient_id,protocol,week,pain\n" + "".join(f"P{i},usual,0,{i}\n" for i in range(1, 7))
MAP = """
[patients]
patient_id = "patient_id"
protocol = "protocol"
[week]
column = "week"
[[values]]
measure = "pain"
column = "pain"
"""


@pytest.fixture(scope="module")
def small():
    return generate_cohort(patients=12, seed=1).observed


@pytest.fixture(scope="module")
def made(small, tmp_path_factory):
    """Make a folder with a cohort, a table, its map, and a record of a report of the cohort."""
    root = tmp_path_factory.mktemp("made")
    write_cohort(small, root / "cohort")
    (root / "table.csv").write_text(TABLE)
    (root / "map.toml").write_text(MAP)
    record = write_record(root / "record.json", "cohort_check")
    inputs = [{"name": one.name, "sha256": one.sha256, "bytes": one.n_bytes} for one in record_inputs(root / "cohort")]
    record.write_text(json.dumps(json.loads(record.read_text()) | {"inputs": inputs}))
    return root


@pytest.fixture
def place(made, tmp_path):
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return tmp_path


def scheduled(cohort):
    return to_scheduled_weeks(cohort, VisitSchedule((VisitWindow(0, -1, 1),)))[1]


CALLS = {
    "load_cohort": lambda place, path, _: load_cohort(path),
    "check_folder": lambda place, path, _: check_folder(path),
    "write_cohort": lambda place, path, cohort: write_cohort(cohort, path),
    "write_cohort, overwrite": lambda place, path, cohort: write_cohort(cohort, path, overwrite=True),
    "import_cohort, file": lambda place, path, _: import_cohort(path, place / "map.toml"),
    "import_cohort, map": lambda place, path, _: import_cohort(place / "table.csv", path),
    "suggest_map, file": lambda place, path, _: suggest_map(path, place / "new.toml"),
    "suggest_map, map": lambda place, path, _: suggest_map(place / "table.csv", path),
    "answer_map, file": lambda place, path, _: answer_map(path, place / "new.toml", lambda _: ""),
    "answer_map, map": lambda place, path, _: answer_map(place / "table.csv", path, lambda _: ""),
    "deidentify, source": lambda place, path, _: deidentify(path, place / "out"),
    "deidentify, folder": lambda place, path, _: deidentify(place / "table.csv", path),
    "deidentify, key": lambda place, path, _: deidentify(place / "table.csv", place / "out", key_file=path),
    "deidentify, decisions": lambda place, path, _: deidentify(place / "table.csv", place / "out", decisions=path),
    "review_columns": lambda place, path, _: review_columns(path),
    "review_columns, decisions": lambda place, path, _: review_columns(place / "table.csv", decisions=path),
    "Review.write": lambda place, path, _: review_columns(place / "table.csv").write(path),
    "DeidentificationReport.write": lambda place, path, _: deidentify(place / "table.csv", place / "out").write(path),
    "CheckReport.write": lambda place, path, cohort: check_cohort(cohort).write(path),
    "ScheduleReport.write": lambda place, path, cohort: scheduled(cohort).write(path),
    "load_scenario": lambda place, path, _: load_scenario(path),
    "read_value_rules": lambda place, path, _: read_value_rules(path),
    "read_aggregates": lambda place, path, _: read_aggregates(path),
    "read_moments": lambda place, path, _: read_moments(path),
    "write_findings": lambda place, path, _: write_findings(pd.DataFrame({"site": ["A"], "value": ["1"]}), path),
    "export_findings, cohort": lambda place, path, _: export_findings(path, place / "out"),
    "export_findings, folder": lambda place, path, _: export_findings(place / "cohort", path),
    "explore": lambda place, path, _: explore(path),
    "prepare_study": lambda place, path, _: prepare_study(path),
    "prepare_check": lambda place, path, _: prepare_check(path),
    "prepare_check, rules": lambda place, path, _: prepare_check(place / "cohort", rules=str(path)),
    "prepare_patient": lambda place, path, _: prepare_patient(path),
    "prepare_quarter": lambda place, path, _: prepare_quarter(path),
    "make_report, name": lambda place, path, _: make_report(f"{path}.ipynb", place / "cohort", place / "out"),
    "make_report, cohort": lambda place, path, _: make_report("cohort_check", path, place / "out"),
    "make_report, out": lambda place, path, _: make_report("cohort_check", place / "cohort", path),
    "make_report, plan": lambda place, path, _: make_report(
        "protocol_comparison", place / "cohort", place / "out", plan=path
    ),
    "plan_analysis": lambda place, path, _: plan_analysis(path),
    "read_plan": lambda place, path, _: read_plan(path),
    "write_plan": lambda place, path, cohort: write_plan(plan_analysis(cohort), path.with_name(f"{path.name}.toml")),
    "read_record": lambda place, path, _: read_record(path),
    "repeat_report, record": lambda place, path, _: repeat_report(path),
    "repeat_report, cohort": lambda place, path, _: repeat_report(place / "record.json", cohort=path),
    "repeat_report, notebook": lambda place, path, _: repeat_report(
        place / "record.json", notebook=path.with_name(f"{path.name}.ipynb"), trust=True
    ),
    "repeat_report, out": lambda place, path, _: repeat_report(
        place / "record.json", cohort=place / "cohort", out=path
    ),
    "export_report, report": lambda place, path, _: export_report(path, place / "out"),
    "export_report, out": lambda place, path, _: export_report(place / "record.json", path),
    "copy_notebooks": lambda place, path, _: copy_notebooks(path),
    "copy_lessons": lambda place, path, _: copy_lessons(path),
    "start_lesson": lambda place, path, _: start_lesson(1, folder=path),
}


def files_in(place):
    return sorted(path.relative_to(place).as_posix() for path in place.rglob("*"))


@pytest.mark.parametrize("below", ["", "missing"], ids=["here", "in a folder that is not there"])
@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
@pytest.mark.parametrize("call", CALLS.values(), ids=CALLS)
def test_a_name_that_no_file_can_have_is_explained(place, small, call, name, below):
    before = files_in(place)
    with pytest.raises(KneecurveError) as caught:
        call(place, place / below / name, small)
    assert caught.value.what in WORDS or "holds half of a character, which no file can hold" in caught.value.what
    assert caught.value.where
    assert caught.value.what_to_do
    if call is not CALLS["DeidentificationReport.write"]:
        assert files_in(place) == before


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
@pytest.mark.parametrize("part", ["cohort", "notebook"])
def test_a_record_that_names_what_cannot_be_there_is_explained(place, name, part):
    data = json.loads((place / "record.json").read_text())
    changed = {"cohort": name} if part == "cohort" else {"notebook": {**data["notebook"], "path": f"{name}.ipynb"}}
    (place / "record.json").write_text(json.dumps(data | changed))
    with pytest.raises(KneecurveError, match="name"):
        repeat_report(place / "record.json", trust=True)


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
def test_a_table_of_a_cohort_folder_that_cannot_be_there_is_explained(place, name):
    file = place / "cohort" / "datapackage.json"
    data = json.loads(file.read_text())
    data["resources"][0]["path"] = name
    file.write_text(json.dumps(data))
    with pytest.raises(KneecurveError, match="name"):
        load_cohort(place / "cohort")


def test_a_file_of_a_map_that_cannot_be_there_is_explained(place):
    folder = place / "tables"
    folder.mkdir()
    (folder / "table.csv").write_text(TABLE)
    (place / "map.toml").write_text(f'[files]\npatients = "table.csv"\nvisits = "{"a" * 300}"\n{MAP}')
    with pytest.raises(KneecurveError, match="name"):
        import_cohort(folder, place / "map.toml")


def test_a_file_of_an_earlier_report_that_cannot_be_there_is_passed_over(place):
    (place / "cohort_check.tables").mkdir()
    record = write_record(place / "cohort_check.json", "cohort_check")
    names = [f"cohort_check.tables/{name}.csv" for name in NAMES.values()]
    record.write_text(json.dumps(json.loads(record.read_text()) | {"files": names}))
    assert files_of_earlier(place, "cohort_check") == []


def test_moments_with_a_name_that_cannot_be_are_not_saved(place):
    visits = pd.DataFrame({"patient_id": [1, 1, 2], "week": [0, 6, 0], "value": [50.0, 61, 40]})
    with pytest.raises(KneecurveError, match="too long"):
        visit_moments(visits, "value ~ week").save(place / NAMES["long"], trusted=True)


def test_the_longest_name_is_no_error(place):
    folder = place / ("a" * 200)
    assert load_cohort(write_cohort(load_cohort(place / "cohort"), folder)).protocols
