"""A report for several sets of parameters: one process, each as it is alone, all of them or none."""

import json

import nbformat
import pytest

from analysis.errors import ReportError
from analysis.report import make_report, make_reports
from analysis.report.running import make, several
from analysis.report.running.notebooks import read_notebook

from .in_this_process import run_here

KEPT = "import builtins\nseen = builtins.__dict__.setdefault('of_test_several', [])\nseen.append(week)\nprint(week, 1 / (week != 3))"


@pytest.fixture
def cohort_folder(make_cohort, folder_of):
    return folder_of(make_cohort())


def outs(tmp_path, *weeks):
    return {tmp_path / "all" / f"week {week}": {"week": float(week)} for week in weeks}


def test_each_is_as_it_is_alone(monkeypatch, own_notebook, cohort_folder, tmp_path):
    monkeypatch.setattr(make, "run_notebook", run_here)
    monkeypatch.setattr(several, "run_notebook", run_here)
    source = str(own_notebook("print(week, many)"))
    told = []
    each = make_reports(source, cohort_folder, outs(tmp_path, 6, 12), progress=lambda done, total: told.append(total))
    assert len(each) == 2
    assert len(set(told)) == 1
    for files, week in zip(each, (6.0, 12.0), strict=True):
        alone = make_report(source, cohort_folder, tmp_path / f"alone {week}", parameters={"week": week})
        mine, its = (json.loads(one.record.read_text(encoding="utf-8")) for one in (files, alone))
        assert mine["parameters"] == {"week": week}
        assert mine["shows"] == its["shows"]
        cells = [[cell.id for cell in read_notebook(one.notebook).cells] for one in (files, alone)]
        assert cells[0] == cells[1]


def test_one_that_exists_stops_all_before_anything_runs(monkeypatch, own_notebook, cohort_folder, tmp_path):
    monkeypatch.setattr(several, "run_notebook", lambda *_, **__: pytest.fail("the notebook was run"))
    there = tmp_path / "all" / "week 12"
    there.mkdir(parents=True)
    (there / "own.html").write_text("mine")
    with pytest.raises(ReportError, match="a report of that name already"):
        make_reports(str(own_notebook("print(week)")), cohort_folder, outs(tmp_path, 6, 12))
    assert not (tmp_path / "all" / "week 6").exists()


@pytest.mark.slow
def test_one_kernel_runs_them_all_and_a_failing_one_leaves_its_notebook_and_no_report(
    own_notebook, cohort_folder, tmp_path
):
    source = str(own_notebook(KEPT + "\nprint(len(seen))"))
    first, second = make_reports(source, cohort_folder, outs(tmp_path, 6, 12))
    texts = ["".join(one.text for cell in nbformat.read(files.notebook, as_version=4).cells
                     for one in cell.get("outputs", [])) for files in (first, second)]  # fmt: skip
    assert texts[0].split() == ["6.0", "1.0", "1"]
    assert texts[1].split() == ["12.0", "1.0", "2"]  # the second saw what the first kept
    out = {tmp_path / "again" / one.name: given for one, given in outs(tmp_path, 6, 3, 9).items()}
    with pytest.raises(ReportError, match="Cell 4 of the report own failed") as caught:
        make_reports(source, cohort_folder, out)
    assert "week 3" in caught.value.where
    assert [one.name for one in (tmp_path / "again").rglob("*") if one.is_file()] == ["own.failed.ipynb"]
