"""What week 0 is: said once, kept on every way a cohort takes, refused where it is neither."""

import json
from dataclasses import replace

import pandas as pd
import pytest

from analysis.cohort import Cohort, deidentify, import_cohort, load_cohort, suggest_map, write_cohort
from analysis.errors import CohortError
from synthetic_cohort import generate_cohort, list_scenarios

MAP = """
[patients]
patient_id = "id"
protocol = "arm"
[week]
column = "week"
{origin}
[[values]]
measure = "ikdc"
column = "score"
"""


@pytest.fixture
def trial(tmp_path):
    rows = [(f"P{i}", "AB"[i % 2], week, 40 + i + week) for i in range(6) for week in (0, 12)]
    pd.DataFrame(rows, columns=["id", "arm", "week", "score"]).to_csv(tmp_path / "trial.csv", index=False)

    def make(origin):
        (tmp_path / "trial.toml").write_text(MAP.format(origin=origin))
        return import_cohort(tmp_path / "trial.csv", tmp_path / "trial.toml").cohort

    return make


def test_the_map_says_it(trial):
    assert trial("").counted_from is None
    assert trial('counted_from = "surgery"').counted_from == "surgery"
    with pytest.raises(CohortError, match="counted_from should be one of 'surgery', 'programme', not 'injury'"):
        trial('counted_from = "injury"')


@pytest.mark.parametrize("file_format", ["csv", "parquet"])
def test_the_folder_keeps_it_and_so_does_deidentification(trial, tmp_path, file_format):
    cohort = trial('counted_from = "surgery"')
    folder = write_cohort(cohort, tmp_path / "cohort", file_format=file_format)
    assert load_cohort(folder).counted_from == "surgery"
    assert "Week 0: surgery." in str(load_cohort(folder))
    deidentify(folder, tmp_path / "clean")
    assert load_cohort(tmp_path / "clean").counted_from == "surgery"
    assert load_cohort(write_cohort(trial(""), tmp_path / "none")).counted_from is None


def test_another_text_in_the_folder_or_the_call_is_refused(trial, tmp_path):
    folder = write_cohort(trial(""), tmp_path / "cohort")
    described = json.loads((folder / "datapackage.json").read_text())
    described["kneecurve"]["counted_from"] = "injury"
    (folder / "datapackage.json").write_text(json.dumps(described))
    with pytest.raises(CohortError, match="origin of the weeks"):
        load_cohort(folder)
    with pytest.raises(CohortError, match="origin of the weeks"):
        replace(trial(""), counted_from="injury")


def test_a_folder_written_before_it_was_known_is_read(trial, tmp_path):
    folder = write_cohort(trial(""), tmp_path / "cohort")
    described = json.loads((folder / "datapackage.json").read_text())
    del described["kneecurve"]["counted_from"]
    (folder / "datapackage.json").write_text(json.dumps(described))
    assert load_cohort(folder).counted_from is None


def test_scenarios_with_an_operation_count_from_it():
    found = {name: generate_cohort(name, patients=3, seed=1).observed.counted_from for name in list_scenarios()[::2]}
    assert found == {
        "ligament reconstruction": "surgery", "knee replacement": "surgery", "meniscus surgery": "surgery",
        "patellofemoral pain": "programme",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("header", "said"), [("weeks_postop", True), ("weeks since surgery", True), ("week", False), ("study_week", False)]
)
def test_a_suggested_map_says_it_where_the_name_of_the_column_does(tmp_path, header, said):
    rows = [(f"P{i:02d}", "AB"[i % 2], week, 40 + i + week) for i in range(12) for week in (0, 6, 12)]
    pd.DataFrame(rows, columns=["patient_id", "arm", header, "ikdc"]).to_csv(tmp_path / "trial.csv", index=False)
    suggest_map(tmp_path / "trial.csv", tmp_path / "trial.toml")
    assert ('counted_from = "surgery"' in (tmp_path / "trial.toml").read_text()) is said


def test_it_is_shown_of_a_cohort():
    people = pd.DataFrame({"patient_id": ["a"], "protocol": ["usual"]})
    visits = pd.DataFrame({"patient_id": ["a"], "week": 0, "measure": "pain", "limb": "none", "value": [4]})
    assert "Week 0: the start of the programme." in str(Cohort(people, visits, counted_from="programme"))
    assert "Week 0" not in str(Cohort(people, visits))
