"""What takes long with a large cohort says on a terminal what it is doing: one line, its steps in order."""

import io
import sys

import pytest

from analysis import progress, quality
from analysis.cohort import (
    check_folder,
    deidentify,
    disclosure_risk,
    import_cohort,
    load_cohort,
    suggest_map,
    write_cohort,
)
from analysis.report.quality import prepare_check

from .importing.one_measure import LONG

FILE = "id,arm,week,pain\nP1,usual,0,6\nP1,usual,6,3\nP2,early,0,5\nP2,early,6,2\n"


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def told(monkeypatch):
    """Run work on a terminal; give what the line said, one entry a step."""

    def run(work, *given, **options):
        said = []

        class Line:
            at_work = None

            def __init__(self, what):
                self.what, self.step = what, ""
                said.append(what)

            def say(self, step):
                self.step = step
                said.append(f"{self.what}: {step}")

            def end(self):
                said.append("end")

        with monkeypatch.context() as patched:
            patched.setattr(progress, "_Line", Line)
            patched.setattr(sys, "stderr", Terminal())
            answer = work(*given, **options)
        assert said.count("end") == 1
        assert said[-1] == "end"
        return answer, said

    return run


@pytest.fixture
def file(tmp_path):
    (tmp_path / "data.csv").write_text(FILE)
    (tmp_path / "map.toml").write_text(LONG)
    return tmp_path / "data.csv"


def in_order(wanted, said):
    places = [next((i for i, one in enumerate(said) if one.startswith(name)), None) for name in wanted]
    return None not in places and places == sorted(places)


def test_import(told, file):
    _, said = told(import_cohort, file, file.with_name("map.toml"))
    wanted = ["Importing data.csv: reading data.csv", "Importing data.csv: visits", "Importing data.csv: checking"]
    assert in_order(wanted, said)


def test_suggest_map(told, file):
    _, said = told(suggest_map, file, file.with_name("new.toml"))
    assert in_order(["Suggesting a map of data.csv", "Suggesting a map of data.csv: reading data.csv"], said)


def test_write_load_and_check(told, cohort, tmp_path):
    _, said = told(write_cohort, cohort, tmp_path / "new")
    assert in_order(["Writing new: checking", "Writing new: patients", "Writing new: visits"], said)
    for work in (load_cohort, check_folder):
        _, said = told(work, tmp_path / "new")
        wanted = ["Loading new: reading visits.csv", "Loading new: columns of visits: 1 of 5", "Loading new: checking"]
        assert in_order(wanted, said)


def test_deidentify_a_file_and_a_cohort(told, cohort, file, tmp_path):
    _, said = told(deidentify, file, tmp_path / "files")
    wanted = [
        "De-identifying data.csv: reading data.csv",
        "De-identifying data.csv: patients and start dates",
        "De-identifying data.csv: columns of data",
        "De-identifying data.csv: looking for identifiers",
        "De-identifying data.csv: writing",
    ]
    assert in_order(wanted, said)
    _, said = told(deidentify, write_cohort(cohort, tmp_path / "cohort"), tmp_path / "new")
    assert in_order(["De-identifying cohort: columns of visits", "De-identifying cohort: Writing new: visits"], said)


def test_disclosure_risk(told, cohort):
    assert told(disclosure_risk, cohort)[1] == ["disclosure risk", "end"]


def test_data_quality(told, cohort, tmp_path):
    folder = write_cohort(cohort, tmp_path / "cohort")
    _, said = told(prepare_check, folder)
    wanted = [
        "Data quality of cohort: Loading cohort",
        "Data quality of cohort: values and changes",
        "Data quality of cohort: patterns of missed visits",
        "Data quality of cohort: completeness: 1 of 4",
        "Data quality of cohort: visit timing",
        "Data quality of cohort: who is lost",
        "Data quality of cohort: last digits",
    ]
    assert in_order(wanted, said)
    for work in (quality.visit_patterns, quality.visit_timing, quality.digit_preference):
        assert len(told(work, cohort)[1]) > 1


def test_findings_for_the_sites(told, cohort, tmp_path):
    folder = write_cohort(cohort, tmp_path / "cohort")
    _, said = told(quality.export_findings, folder, tmp_path / "out")
    assert in_order(["Checking cohort: Loading cohort", "Checking cohort: values", "Checking cohort: changes"], said)
