"""Small cohorts and notebooks for the tests of the report."""

import importlib.util
from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort, Provenance, write_cohort
from analysis.report.comparison import prepared
from analysis.report.comparison.study import study_of
from synthetic_cohort import generate_cohort

OWN_PARAMETERS = 'folder: str = ""  # cohort folder\nweek: float | None = None  # a week\nmany: bool = False'


@pytest.fixture(scope="session")
def drawn():
    """What drawings show: the helper that stands beside these tests."""
    spec = importlib.util.spec_from_file_location("drawn", Path(__file__).with_name("drawn.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def invented():
    return generate_cohort(patients=90, seed=3).observed


@pytest.fixture(scope="session")
def invented_folder(invented, tmp_path_factory):
    return write_cohort(invented, tmp_path_factory.mktemp("invented") / "cohort")


@pytest.fixture
def make_cohort():
    """Give a function that makes a cohort of two protocols with a pain score at the weeks named."""

    def make(*, weeks=(0, 6, 12), patients=16, protocols=("usual", "early"), **more):
        generator = np.random.default_rng(7)
        ids = [f"p{number:02d}" for number in range(patients)]
        people = pd.DataFrame({"patient_id": ids, "protocol": [protocols[i % len(protocols)] for i in range(patients)]})
        level = generator.normal(6, 1, patients)
        rows = [
            {
                "patient_id": name,
                "week": week,
                "measure": "pain",
                "limb": "none",
                "value": float(np.clip(level[i] - 0.2 * week + generator.normal(0, 0.6), 0, 10)),
            }
            for i, name in enumerate(ids)
            for week in weeks
            if not (week == max(weeks) > 0 and i % 5 == 4)
        ]
        visits = pd.DataFrame(rows)
        return Cohort(people, visits, **({"provenance": Provenance(steps=("Made for a test.",))} | more))

    return make


@pytest.fixture
def folder_of(tmp_path):
    """Give a function that writes a cohort and returns its folder."""
    return lambda cohort, name="cohort": write_cohort(cohort, tmp_path / name)


@pytest.fixture
def own_notebook(tmp_path):
    """Give a function that writes a notebook with a parameters cell and the cells given."""

    def write(*sources, parameters=OWN_PARAMETERS, name="own.ipynb") -> Path:
        cells = [nbformat.v4.new_markdown_cell("# Own report", id="title")]
        if parameters is not None:
            cell = nbformat.v4.new_code_cell(parameters, id="parameters")
            cell.metadata["tags"] = ["parameters"]
            cells.append(cell)
        cells += [nbformat.v4.new_code_cell(source, id=f"cell-{i}") for i, source in enumerate(sources)]
        path = tmp_path / name
        path.write_text(nbformat.writes(nbformat.v4.new_notebook(cells=cells)), encoding="utf-8")
        return path

    return write


@pytest.fixture(scope="session")
def study_in_memory():
    """Give a function that prepares the comparison of a cohort without a folder: folders are tested elsewhere.

    Findings are made when a test first asks for them: many look at one section that needs none.
    """

    def prepare(cohort, **parameters):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(prepared, "load_cohort", lambda folder: cohort)
            return study_of("in memory", parameters)

    return prepare
