"""Notebooks in the repository: no outputs, a parameters cell, short cells, no code that belongs into the package."""

import ast
import json

import pytest

from analysis.report import notebook_folder
from analysis.report.comparison.study import prepare_study
from analysis.report.running.notebooks import notebook_parameters, read_notebook, report_names

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
        assert len(cell.source.splitlines()) <= 15
        heavy = (ast.FunctionDef, ast.ClassDef, ast.For, ast.While, ast.Try, ast.With, ast.Lambda)
        assert not any(isinstance(node, heavy) for node in ast.walk(ast.parse(cell.source))), cell.source


def test_defaults_of_the_comparison_agree_with_the_library():
    import inspect

    path = notebook_folder() / "reports" / "protocol_comparison.ipynb"
    parameters = notebook_parameters(read_notebook(path), where=path.name)
    declared = {parameter.name: parameter.default for parameter in parameters if parameter.name != "folder"}
    known = {name: one.default for name, one in inspect.signature(prepare_study).parameters.items() if name != "folder"}
    assert declared == known
