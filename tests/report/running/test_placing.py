"""A report replaces what it made, and nothing else; of two at a time one is made; what a dead one left is finished."""

import json
import os
import subprocess
import sys
import tempfile
import threading
import time

import pytest

from analysis.errors import ReportError
from analysis.report import make_report
from analysis.report.running import make, placing
from analysis.writing import owners

from .in_this_process import run_here

SHOW = (
    "import pandas as pd\nfrom analysis.report import Table\nTable(pd.DataFrame({'x': [1 / 3]}), 'Thirds.', name='x')"
)


@pytest.fixture
def cohort_folder(make_cohort, folder_of):
    return folder_of(make_cohort())


@pytest.fixture(autouse=True)
def no_kernel(monkeypatch):
    monkeypatch.setattr(make, "run_notebook", run_here)


@pytest.fixture
def report(own_notebook, cohort_folder, tmp_path):
    """Make the report again and again; give its folder."""
    notebook = str(own_notebook(SHOW))

    def make_it(*formats, overwrite=True):
        make_report(notebook, cohort_folder, tmp_path / "report", formats=formats or ("html",), overwrite=overwrite)
        return tmp_path / "report"

    return make_it


def files_in(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def test_the_record_lists_every_file_of_the_report(report):
    out = report("csv")
    assert json.loads((out / "own.json").read_text(encoding="utf-8"))["files"] == files_in(out)


def test_files_of_the_same_stem_that_no_report_made_stay(report):
    out = report("csv", overwrite=False)
    for name in ("own.pdf", "own.docx", "own.failed.ipynb", "own.tables/mine.csv", "own.txt"):
        (out / name).write_text("mine")
    report()
    assert files_in(out) == [
        "own.docx", "own.failed.ipynb", "own.html", "own.ipynb", "own.json", "own.pdf", "own.tables/mine.csv", "own.txt",
    ]  # fmt: skip
    assert (out / "own.tables" / "mine.csv").read_text() == "mine"
    report("csv")
    assert {"own.tables/mine.csv", "own.tables/x.csv", "own.docx"} <= set(files_in(out))


def test_a_record_from_elsewhere_has_nothing_else_deleted(report, tmp_path):
    out = report(overwrite=False)
    (tmp_path / "keep.csv").write_text("mine")
    (out / "other.html").write_text("mine")
    data = json.loads((out / "own.json").read_text(encoding="utf-8"))
    wishes = [
        "../keep.csv",
        str(tmp_path / "keep.csv"),
        "other.html",
        "own.tables/../../keep.csv",
        "own.tables\\..\\x.csv",
    ]
    (out / "own.json").write_text(json.dumps(data | {"files": data["files"] + wishes}), encoding="utf-8")
    report()
    assert files_in(out) == ["other.html", "own.html", "own.ipynb", "own.json"]
    assert (tmp_path / "keep.csv").read_text() == "mine"


def test_a_notebook_is_not_replaced_by_the_report_made_from_it(own_notebook, cohort_folder):
    notebook = own_notebook(SHOW)
    before = notebook.read_bytes()
    with pytest.raises(ReportError, match="would take the place of the notebook that it is made from"):
        make_report(str(notebook), cohort_folder, notebook.parent, overwrite=True)
    assert notebook.read_bytes() == before


def test_a_folder_in_the_place_of_a_file_is_left_alone(report, tmp_path):
    (tmp_path / "report" / "own.html").mkdir(parents=True)
    (tmp_path / "report" / "own.html" / "mine.txt").write_text("mine")
    with pytest.raises(ReportError, match=r"cannot take the place of what is there"):
        report()
    assert files_in(tmp_path / "report") == ["own.html/mine.txt"]


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_tables_are_not_written_through_a_link(report, tmp_path):
    (tmp_path / "report").mkdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "report" / "own.tables").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(ReportError, match=r"cannot take the place of what is there"):
        report("csv")
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_of_two_reports_at_the_same_time_one_is_made(report, monkeypatch):
    both, answers = threading.Barrier(2, timeout=30), []

    def meeting(*given, **named):
        both.wait()
        return run_here(*given, **named)

    def run():
        try:
            report(overwrite=False)
            answers.append("made")
        except ReportError as error:
            answers.append(error.what)
            both.wait()

    monkeypatch.setattr(make, "run_notebook", meeting)
    monkeypatch.setattr("contextlib.chdir", lambda _: __import__("contextlib").nullcontext())
    threads = [threading.Thread(target=run) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answers) == ["The report own is being written there by another process.", "made"]


def test_a_report_that_was_made_while_another_waited_is_not_replaced(report, monkeypatch):
    take = owners._take

    def late(file, token):
        monkeypatch.setattr(owners, "_take", take)
        report(overwrite=False)
        return take(file, token)

    monkeypatch.setattr(owners, "_take", late)
    with pytest.raises(ReportError, match="There is a report of that name already"):
        report(overwrite=False)


@pytest.mark.slow
def test_of_two_commands_at_the_same_time_one_ends_with_zero(own_notebook, cohort_folder, tmp_path):
    words = ["report", own_notebook(SHOW), cohort_folder, "--out", tmp_path / "report"]
    running = [
        subprocess.Popen([sys.executable, "-m", "analysis", *map(str, words)], stderr=subprocess.PIPE) for _ in range(2)
    ]
    ends = [(one.communicate()[1], one.returncode) for one in running]
    assert sorted(code for _, code in ends) == [0, 1]
    assert files_in(tmp_path / "report") == ["own.html", "own.ipynb", "own.json"]


@pytest.mark.parametrize("cut", range(1, 12))
def test_a_swap_of_files_that_a_dead_process_began_is_finished(tmp_path, monkeypatch, cut):
    out, working = tmp_path, tmp_path / f".being-written-{owners.new_token()}"
    new, gone = ["r.json", "r.tables/x.csv", "r.html"], ["r.pdf", "r.tables/y.csv"]
    for place, names, text in ((out, [*new, *gone], "old"), (working, new, "new")):
        for name in names:
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            (place / name).write_text(text)
    (out / "r.tables" / "mine.csv").write_text("mine")
    calls = []
    replace = type(out).replace

    def dying(path, target):
        calls.append(path)
        if len(calls) >= cut:
            raise KeyboardInterrupt
        return replace(path, target)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(type(out), "replace", dying)
        if cut <= 9:
            with pytest.raises(KeyboardInterrupt):
                placing.put_in_place(working, out, "r", new, gone)
        else:
            placing.put_in_place(working, out, "r", new, gone)
    monkeypatch.setattr(placing, "is_dead", lambda _mark: True)
    placing.finish_dead(out)
    there = {name: (out / name).read_text() for name in files_in(out)}
    old = {**dict.fromkeys([*new, *gone], "old"), "r.tables/mine.csv": "mine"}
    assert there in ({**dict.fromkeys(new, "new"), "r.tables/mine.csv": "mine"}, old)
    assert (there == old) == (cut <= 2)  # the journal, and the first file


def test_a_journal_from_elsewhere_moves_nothing_else(tmp_path, monkeypatch):
    out, working = tmp_path / "out", tmp_path / "out" / f".being-written-{owners.new_token()}"
    working.mkdir(parents=True)
    (tmp_path / "keep.csv").write_text("mine")
    (out / "other.html").write_text("mine")
    wishes = ["../keep.csv", "other.html", str(tmp_path / "keep.csv")]
    (working / placing.JOURNAL).write_text(json.dumps({"report": "r", "new": wishes, "gone": wishes}))
    monkeypatch.setattr(placing, "is_dead", lambda _mark: True)
    placing.finish_dead(out)
    assert files_in(tmp_path) == ["keep.csv", "out/other.html"]
    assert not working.exists()


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="processes are killed otherwise there")
def test_what_a_killed_report_left_is_removed_by_the_next(own_notebook, cohort_folder, tmp_path, monkeypatch):
    temporary, out = tmp_path / "temporary", tmp_path / "report"
    temporary.mkdir()
    notebook = own_notebook(SHOW, "import time\ntime.sleep(600)")
    words = ["report", notebook, cohort_folder, "--out", out]
    killed = subprocess.Popen(
        [sys.executable, "-m", "analysis", *map(str, words)], env={**os.environ, "TMPDIR": str(temporary)},
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    end = time.monotonic() + 120
    while len(list(temporary.glob("kneecurve-*"))) < 2 and time.monotonic() < end:
        time.sleep(0.1)
    killed.kill()
    killed.wait()
    assert {path.name[:15] for path in out.iterdir()} == {".being-written-", ".own.lock"}
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    with owners.temporary_folder():
        pass
    assert list(temporary.glob("kneecurve-*")) == []
    make_report(str(own_notebook(SHOW)), cohort_folder, out)
    assert sorted(path.name for path in out.iterdir()) == ["own.html", "own.ipynb", "own.json"]
