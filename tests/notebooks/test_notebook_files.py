"""Notebooks in the repository: no outputs, a parameters cell, short cells, no code that belongs into the package."""

import ast
import inspect
import json
import re

import pytest

from analysis.report import notebook_folder
from analysis.report.clinic.study import ClinicParameters, prepare_clinic
from analysis.report.comparison.parameters import ComparisonParameters
from analysis.report.comparison.study import prepare_study
from analysis.report.one_patient.study import PatientParameters, prepare_patient
from analysis.report.quality.study import QualityParameters, prepare_check
from analysis.report.quarter.study import QuarterParameters, prepare_quarter
from analysis.report.registry.study import RegistryParameters, prepare_registry
from analysis.report.running.notebooks import find_report, notebook_parameters, read_notebook, report_names
from analysis.report.sites.study import SitesParameters, prepare_sites

FILES = sorted(notebook_folder().rglob("*.ipynb"))
REPORTS = [path for path in FILES if path.parent.name == "reports"]


def code_cells(path):
    return [cell for cell in read_notebook(path).cells if cell.cell_type == "code"]


def test_there_are_reports():
    assert "protocol_comparison" in report_names()
    assert {path.stem for path in REPORTS} == set(report_names())


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_no_outputs_are_stored(path):
    assert all(not cell.outputs and cell.execution_count is None for cell in code_cells(path))
    assert "papermill" not in json.loads(path.read_text(encoding="utf-8"))["metadata"]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_cell_has_an_id_of_its_own(path):
    ids = [cell.id for cell in read_notebook(path).cells]
    assert len(set(ids)) == len(ids)


@pytest.mark.parametrize("path", REPORTS, ids=lambda path: path.stem)
def test_parameters_are_declared_and_explained(path):
    parameters = notebook_parameters(read_notebook(path), where=path.name)
    assert parameters[0].name == "folder"
    assert all(parameter.meaning for parameter in parameters)
    assert all(parameter.admits(parameter.default) for parameter in parameters)


@pytest.mark.parametrize("path", REPORTS, ids=lambda path: path.stem)
def test_cells_are_short_and_hold_no_heavy_code(path):
    for cell in code_cells(path):
        most = 30 if "parameters" in cell.metadata.get("tags", []) else 15
        assert len(cell.source.splitlines()) <= most
        heavy = (ast.FunctionDef, ast.ClassDef, ast.For, ast.While, ast.Try, ast.With, ast.Lambda)
        assert not any(isinstance(node, heavy) for node in ast.walk(ast.parse(cell.source))), cell.source


DECLARED = {
    "clinic": (ClinicParameters, prepare_clinic),
    "cohort_check": (QualityParameters, prepare_check),
    "one_patient": (PatientParameters, prepare_patient),
    "protocol_comparison": (ComparisonParameters, prepare_study),
    "quarter_outcomes": (QuarterParameters, prepare_quarter),
    "registry_comparison": (RegistryParameters, prepare_registry),
    "sites_comparison": (SitesParameters, prepare_sites),
}


def test_every_report_declares_its_parameters():
    assert sorted(DECLARED) == report_names()


@pytest.mark.parametrize("name", DECLARED)
def test_the_cell_and_the_call_follow_from_the_declaration(name):
    declared, prepare = DECLARED[name]
    notebook = read_notebook(find_report(name))
    sources = {cell.id: cell.source for cell in notebook.cells}
    assert sources["parameters"] == declared.cell()
    assert re.search(rf"= with_parameters\(\w+\.{prepare.__name__}, globals\(\)\)", sources["study"])


@pytest.mark.parametrize("name", DECLARED)
def test_signature_and_documentation_follow_from_the_declaration(name):
    declared, prepare = DECLARED[name]
    known = inspect.signature(prepare).parameters
    assert {one.name for one in declared.declared()} == set(known)
    for one in declared.declared()[1:]:
        assert known[one.name].default == one.default
        assert f"{one.name} : {one.declared}, default " in prepare.__doc__
        assert one.meaning in prepare.__doc__
    assert "{parameters}" not in prepare.__doc__
