"""Reports are made whole or not at all; a failing cell leaves its notebook; the same input gives the same bytes."""

import errno
import json
import re
import subprocess
import sys

import nbformat
import pytest

from analysis.errors import ReportError
from analysis.report import copy_notebooks, make_report, notebook_folder
from analysis.report.running import make, placing
from analysis.report.running.notebooks import find_report, notebook_parameters, read_notebook

from .in_this_process import run_here

SHOW = "from IPython.display import HTML\nHTML(f'<p>week {week}, {many}</p>')"


@pytest.fixture
def cohort_folder(make_cohort, folder_of):
    return folder_of(make_cohort())


@pytest.fixture
def no_kernel(monkeypatch):
    """Run notebooks in this process, where a test is of the files around the run."""
    monkeypatch.setattr(make, "run_notebook", run_here)


@pytest.fixture(scope="module")
def kept():
    return {}


@pytest.fixture
def earlier(own_notebook, cohort_folder, tmp_path, kept):
    """Give the folder of a report that was made before; it is made once and then copied."""
    out = tmp_path / "report"
    if kept:
        out.mkdir()
        for name, content in kept.items():
            (out / name).write_bytes(content)
    else:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(make, "run_notebook", run_here)
            make_report(str(own_notebook(SHOW)), cohort_folder, out)
        kept |= {path.name: path.read_bytes() for path in out.iterdir()}
    return out


def files_in(folder):
    return sorted(path.name for path in folder.iterdir()) if folder.is_dir() else []


def test_a_report_is_a_page_its_notebook_and_its_record(own_notebook, cohort_folder, tmp_path):
    told = []
    out = tmp_path / "deep" / "report"
    files = make_report(
        str(own_notebook(SHOW)), cohort_folder, out, parameters={"week": 6}, progress=lambda *now: told.append(now)
    )
    assert files_in(out) == ["own.html", "own.ipynb", "own.json"]
    assert "<p>week 6.0, False</p>" in files.html.read_text(encoding="utf-8")
    assert told[0] == (0, 4)
    assert told[-1] == (4, 4)
    record = json.loads(files.record.read_text(encoding="utf-8"))
    assert record["parameters"] == {"week": 6.0}
    assert record["cohort"] == "../../cohort"
    assert {one["name"] for one in record["inputs"]} == {"datapackage.json", "patients.csv", "visits.csv"}
    executed = nbformat.read(files.notebook, as_version=4)
    assert "folder = " in executed.cells[2].source
    assert str(tmp_path) not in files.notebook.read_text(encoding="utf-8")


def test_a_failing_cell_leaves_its_notebook_and_the_old_report(own_notebook, cohort_folder, earlier, monkeypatch):
    out = earlier
    before = (out / "own.html").read_bytes()
    with pytest.raises(ReportError) as caught:
        make_report(str(own_notebook("print('so far')", "1 / 0")), cohort_folder, out, overwrite=True)
    left = out / "own.failed.ipynb"
    assert str(caught.value) == (
        "Cell 5 of the report own failed.\nZeroDivisionError: division by zero\n"
        f"  where: {left}\n"
        "  what to do: Open that notebook in JupyterLab: it holds the traceback. No report was written."
    )
    assert files_in(out) == ["own.failed.ipynb", "own.html", "own.ipynb", "own.json"]
    assert (out / "own.html").read_bytes() == before
    outputs = [output for cell in nbformat.read(left, as_version=4).cells for output in cell.get("outputs", [])]
    assert "ZeroDivisionError" in "".join(next(one for one in outputs if one.output_type == "error").traceback)
    monkeypatch.setattr(make, "run_notebook", run_here)
    make_report(str(own_notebook(SHOW)), cohort_folder, out, overwrite=True)
    assert files_in(out) == ["own.html", "own.ipynb", "own.json"]


def test_our_own_errors_keep_what_where_and_what_to_do(own_notebook, cohort_folder, tmp_path):
    source = "from analysis.errors import ModelError\nraise ModelError('No.', where='here', what_to_do='Do this.')"
    with pytest.raises(ReportError, match=r"failed\.\nNo\.\n  where: here\n  what to do: Do this\."):
        make_report(str(own_notebook(source)), cohort_folder, tmp_path / "report")


def test_an_interruption_leaves_nothing(own_notebook, cohort_folder, tmp_path):
    def interrupt(done, _):
        if done:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        make_report(str(own_notebook(SHOW)), cohort_folder, tmp_path / "report", progress=interrupt)
    assert not (tmp_path / "report").exists()


@pytest.mark.usefixtures("no_kernel")
def test_a_disk_that_fills_leaves_the_old_report(own_notebook, cohort_folder, earlier, monkeypatch):
    out = earlier
    before = {name: (out / name).read_bytes() for name in files_in(out)}

    def full(path, text):
        if path.suffix == ".json":
            raise OSError(errno.ENOSPC, "No space left on device", str(path))
        path.write_text(text, encoding="utf-8")

    monkeypatch.setattr(make, "_write", full)
    with pytest.raises(ReportError, match="The report cannot be written: No space left on device"):
        make_report(str(own_notebook(SHOW)), cohort_folder, out, overwrite=True)
    assert {name: (out / name).read_bytes() for name in files_in(out)} == before


@pytest.mark.parametrize("stop", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt()])
@pytest.mark.parametrize("at", [1, 2, 4, 5, 7, 8])
def test_a_stop_while_files_are_put_in_place_leaves_the_earlier_ones(tmp_path, monkeypatch, stop, at):
    out, working = tmp_path, tmp_path / ".being-written-1"
    working.mkdir()
    names = ("r.json", "r.ipynb", "r.html")
    for name in names:
        (out / name).write_text("old")
        (working / name).write_text("new")
    (out / "r.pdf").write_text("old form that is not made again")
    before = {name: (out / name).read_text() for name in (*names, "r.pdf")}
    calls = []
    replace = type(out).replace

    def stopping(path, target):
        calls.append(path)
        if len(calls) == at:
            raise stop
        return replace(path, target)

    monkeypatch.setattr(type(out), "replace", stopping)
    with pytest.raises(type(stop)):
        placing.put_in_place(working, out, "r", names, ["r.pdf"])
    assert {name: (out / name).read_text() for name in files_in(out) if name[0] != "."} == before


@pytest.mark.usefixtures("no_kernel")
def test_forms_of_an_earlier_report_do_not_outlive_it(own_notebook, cohort_folder, tmp_path):
    out = tmp_path / "report"
    make_report(str(own_notebook(SHOW)), cohort_folder, out, formats=("docx",))
    (out / "mine.txt").write_text("mine")
    assert (out / "own.docx").exists()
    with pytest.raises(ReportError, match="There is a report of that name already"):
        make_report(str(own_notebook(SHOW)), cohort_folder, out)
    make_report(str(own_notebook(SHOW)), cohort_folder, out, overwrite=True)
    assert files_in(out) == ["mine.txt", "own.html", "own.ipynb", "own.json"]


@pytest.mark.usefixtures("no_kernel")
def test_a_cohort_that_changes_meanwhile_is_refused(own_notebook, cohort_folder, tmp_path):
    source = (
        "from pathlib import Path\nvisits = Path(folder) / 'visits.csv'\nvisits.write_text(visits.read_text() + '\\n')"
    )
    with pytest.raises(ReportError, match="The cohort changed while the report was made") as caught:
        make_report(str(own_notebook(source)), cohort_folder, tmp_path / "report")
    assert caught.value.where.endswith("visits.csv")
    assert not (tmp_path / "report").exists()


@pytest.mark.usefixtures("no_kernel")
def test_a_disk_that_fills_while_another_form_is_written(own_notebook, cohort_folder, earlier, monkeypatch):
    out = earlier
    before = {name: (out / name).read_bytes() for name in files_in(out)}

    def full(path, data):
        raise OSError(errno.ENOSPC, "No space left on device", str(path))

    monkeypatch.setattr(type(out), "write_bytes", full)
    with pytest.raises(ReportError, match="No space left on device"):
        make_report(str(own_notebook(SHOW)), cohort_folder, out, formats=("html", "pdf"), overwrite=True)
    assert {name: (out / name).read_bytes() for name in files_in(out)} == before


def test_notebooks_that_cannot_be_written_leave_nothing(tmp_path, monkeypatch):
    def full(source, target):
        raise OSError(errno.ENOSPC, "No space left on device", str(target))

    monkeypatch.setattr("shutil.copyfile", full)
    with pytest.raises(ReportError, match="The notebooks cannot be written: No space left on device"):
        copy_notebooks(tmp_path / "deep" / "work")
    assert list(tmp_path.iterdir()) == []


def test_an_output_folder_that_is_a_file_is_refused(own_notebook, cohort_folder, tmp_path):
    (tmp_path / "taken").write_text("x")
    with pytest.raises(ReportError, match="The report cannot be written"):
        make_report(str(own_notebook(SHOW)), cohort_folder, tmp_path / "taken" / "report")


@pytest.mark.parametrize("name", ["a\x00b", "a\ud800b"])
def test_an_output_folder_that_no_system_can_have_is_refused(cohort_folder, tmp_path, name):
    with pytest.raises(ReportError, match="No file has such a name"):
        make_report("cohort_check", cohort_folder, tmp_path / name)


def test_an_earlier_report_is_not_replaced_unasked(own_notebook, cohort_folder, earlier):
    out = earlier
    with pytest.raises(ReportError, match="There is a report of that name already") as caught:
        make_report(str(own_notebook(SHOW)), cohort_folder, out)
    assert str(out / "own.html") in caught.value.where


@pytest.mark.parametrize("place", ["", "reports", "deep/er"])
def test_a_report_into_the_cohort_folder_is_refused_at_once(own_notebook, cohort_folder, place, monkeypatch):
    monkeypatch.setattr(make, "run_notebook", lambda *_, **__: pytest.fail("the notebook was run"))
    before = sorted(cohort_folder.rglob("*"))
    with pytest.raises(ReportError, match="would be written into the cohort folder") as caught:
        make_report(str(own_notebook(SHOW)), cohort_folder, cohort_folder / place)
    assert "beside" in caught.value.what_to_do
    assert sorted(cohort_folder.rglob("*")) == before


def test_wrong_parameters_are_refused_before_anything_is_written(own_notebook, cohort_folder, tmp_path):
    with pytest.raises(ReportError, match="there is no parameter 'weak'"):
        make_report(str(own_notebook(SHOW)), cohort_folder, tmp_path / "report", parameters={"weak": 1})
    assert not (tmp_path / "report").exists()


def test_the_folder_is_no_parameter_of_the_user(own_notebook, cohort_folder, tmp_path):
    with pytest.raises(ReportError, match="there is no parameter 'folder'"):
        make_report(str(own_notebook(SHOW)), cohort_folder, tmp_path / "report", parameters={"folder": "x"})


def test_unknown_reports_and_notebooks_are_refused(tmp_path):
    with pytest.raises(ReportError, match="There is no report 'protocol_comparision'") as caught:
        find_report("protocol_comparision")
    assert "protocol_comparison" in caught.value.what_to_do
    with pytest.raises(ReportError, match="There is no such notebook"):
        find_report(str(tmp_path / "none.ipynb"))


TOO_DEEP = '{"cells": ' + "[" * 100_000 + "]" * 100_000 + "}"
WRONG_TYPES = '{"nbformat": "4", "nbformat_minor": [], "metadata": 3, "cells": {}}'


@pytest.mark.parametrize("text", ["not json", "[]", TOO_DEEP, WRONG_TYPES], ids=["text", "list", "deep", "wrong types"])
def test_a_file_that_is_no_notebook_is_refused(tmp_path, text):
    (tmp_path / "a.ipynb").write_text(text)
    with pytest.raises(ReportError, match="The file is not a notebook"):
        read_notebook(tmp_path / "a.ipynb")


def test_a_notebook_needs_one_parameters_cell(own_notebook):
    with pytest.raises(ReportError, match="The notebook has 0 cells tagged parameters"):
        notebook_parameters(read_notebook(own_notebook(SHOW, parameters=None)), where="own")


@pytest.mark.slow
def test_no_home_and_no_installed_kernel_are_needed(own_notebook, cohort_folder, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("HOME", str(tmp_path / "file" / "home"))
    monkeypatch.setenv("JUPYTER_PATH", str(tmp_path / "none"))
    monkeypatch.setenv("JUPYTER_DATA_DIR", str(tmp_path / "file" / "data"))
    source = "import sys, os\nprint(sys.executable, os.environ['IPYTHONDIR'] != '')"
    files = make_report(str(own_notebook(source)), cohort_folder, tmp_path / "report")
    assert sys.executable in files.html.read_text(encoding="utf-8")


@pytest.mark.slow
def test_the_same_input_gives_the_same_bytes_apart_from_the_stamp(own_notebook, cohort_folder, tmp_path):
    source = (
        "from analysis.report import comparison\nstudy = comparison.prepare_study(folder)\ncomparison.recovery(study)"
    )
    made = [
        make_report(str(own_notebook(source)), cohort_folder, tmp_path / name / "report") for name in ("one", "two")
    ]
    stamp = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC")
    pages = [files.html.read_text(encoding="utf-8") for files in made]
    assert all(len(stamp.findall(page)) == 1 for page in pages)
    assert stamp.sub("", pages[0]) == stamp.sub("", pages[1])
    executed = [files.notebook.read_text(encoding="utf-8") for files in made]
    assert stamp.sub("", executed[0]) == stamp.sub("", executed[1])


def test_notebooks_are_copied_with_a_cohort_beside_them(tmp_path):
    from analysis.cohort import load_cohort

    work = tmp_path / "work"
    written = copy_notebooks(work)
    originals = {path.relative_to(notebook_folder()) for path in notebook_folder().rglob("*.ipynb")}
    assert {path.relative_to(work) for path in written[:-2]} == originals
    assert len(load_cohort(work / "cohort").patients) == 120
    assert load_cohort(work / "cohort_by_quarter").patients["quarter"].nunique() == 12
    (work / "reports" / "protocol_comparison.ipynb").write_text("changed")
    (work / "mine.txt").write_text("mine")
    with pytest.raises(ReportError, match="The notebooks are there already"):
        copy_notebooks(work)
    copy_notebooks(work, overwrite=True)
    assert (work / "reports" / "protocol_comparison.ipynb").read_text(encoding="utf-8") != "changed"
    assert files_in(work) == sorted(
        {"mine.txt", "cohort", "cohort_by_quarter", *(str(path.parts[0]) for path in originals)}
    )


@pytest.mark.slow
def test_no_grammar_of_web_addresses_is_built():
    code = (
        "import sys\n"
        "from analysis.report.running.notebooks import find_report, read_notebook\n"
        "read_notebook(find_report('one_patient'))\n"
        "print('lark' in sys.modules, 'rfc3987_syntax' in sys.modules, 'jsonschema' in sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True)
    assert done.stdout.split() == ["False", "False", "True"]


@pytest.mark.usefixtures("no_kernel")
def test_a_report_leaves_its_numbers_in_a_folder_and_takes_an_earlier_one_away(own_notebook, cohort_folder, tmp_path):
    code = "import pandas as pd\nfrom analysis.report import Table\nTable(pd.DataFrame({'x': [1 / 3]}), 'Thirds.', name='x')"
    notebook, out = own_notebook(code), tmp_path / "report"
    files = make_report(str(notebook), cohort_folder, out, formats=("csv",))
    assert files.tables == out / "own.tables"
    assert files_in(files.tables) == ["contents.csv", "x.csv"]
    assert (files.tables / "x.csv").read_text(encoding="utf-8") == f"x\n{1 / 3}\n"
    make_report(str(notebook), cohort_folder, out, overwrite=True)
    assert files_in(out) == ["own.html", "own.ipynb", "own.json"]


@pytest.mark.usefixtures("no_kernel")
def test_a_pdf_brings_its_numbers_along(own_notebook, cohort_folder, tmp_path):
    code = "import pandas as pd\nfrom analysis.report import Table\nTable(pd.DataFrame({'x': [1 / 3]}), 'Thirds.', name='x')"
    make_report(str(own_notebook(code)), cohort_folder, tmp_path / "report", formats=("pdf",))
    assert files_in(tmp_path / "report") == ["own.html", "own.ipynb", "own.json", "own.pdf", "own.tables"]
