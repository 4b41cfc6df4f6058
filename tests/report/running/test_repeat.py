"""A report is made again from its record: the same, or the difference is named; and what cannot be repeated says so."""

import hashlib
import json
import math
import shutil
import subprocess
from pathlib import Path

import nbformat
import pypandoc
import pytest

from analysis.cohort import write_cohort
from analysis.errors import ReportError
from analysis.report import make_report, plan_analysis, repeat_report
from analysis.report.forms.digest import first_difference, read_digests
from analysis.report.forms.document import read_document
from analysis.report.running import make
from analysis.report.running.provenance import repeatable_in_words
from analysis.report.running.record import read_record
from synthetic_cohort import generate_cohort

from .foreign_record import write_record
from .in_this_process import run_here

SHOW = """
import pandas as pd
from analysis.cohort import load_cohort
from analysis.report import Passage, Section, Table
cohort = load_cohort(folder)
counts = cohort.patients.groupby("protocol", observed=True).size().reset_index(name="patients")
Section((Passage(("To repeat this report: elsewhere", f"Seen at week {week}."), "items"), Table(counts, "Patients.")))
"""


def write_notebook(folder, *sources):
    cells = [
        nbformat.v4.new_markdown_cell("# Own report", id="title"),
        nbformat.v4.new_code_cell(
            'folder: str = ""\nweek: float = 0.0', id="parameters", metadata={"tags": ["parameters"]}
        ),
        *(nbformat.v4.new_code_cell(source, id=f"cell-{number}") for number, source in enumerate(sources)),
    ]
    (folder / "own.ipynb").write_text(nbformat.writes(nbformat.v4.new_notebook(cells=cells)), encoding="utf-8")


@pytest.fixture(autouse=True)
def unchanged_code(monkeypatch):
    """Let nobody who edits the kit during a test change what is recorded of its source files."""
    monkeypatch.setattr(make, "code_digest", lambda: "0" * 64)


@pytest.fixture
def no_kernel(monkeypatch):
    """Run notebooks in this process: that a kernel gives the same again is tested once."""
    monkeypatch.setattr(make, "run_notebook", run_here)


@pytest.fixture(scope="module")
def made_once(tmp_path_factory):
    """Make a report of an invented cohort with a notebook of one's own."""
    root = tmp_path_factory.mktemp("made")
    folder = write_cohort(generate_cohort(patients=40, seed=5).observed, root / "cohort")
    write_notebook(root, SHOW)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(make, "code_digest", lambda: "0" * 64)
        make_report(str(root / "own.ipynb"), folder, root / "report", parameters={"week": 6})
    return root


@pytest.fixture
def made(made_once, tmp_path):
    """Give a folder with cohort, notebook and report, and the record of the report."""
    shutil.copytree(made_once, tmp_path, dirs_exist_ok=True)
    return tmp_path / "report" / "own.json"


def change(record, **values):
    data = json.loads(record.read_text(encoding="utf-8"))
    record.write_text(json.dumps(data | values), encoding="utf-8")


def test_a_repeated_report_is_the_same_with_or_without_its_cohort(made, tmp_path, monkeypatch):
    before = {path.name: path.read_bytes() for path in (tmp_path / "report").iterdir()}
    own = {"notebook": tmp_path / "own.ipynb", "trust": True}
    repeated = repeat_report(made, **own)
    assert repeated.same
    assert repeated.surroundings.empty
    assert repeated.counts.to_numpy().tolist() == [["tables", 1, 1], ["passages", 1, 1]]
    monkeypatch.setattr(make, "run_notebook", run_here)
    shutil.rmtree(tmp_path / "cohort")
    again = repeat_report(made, out=tmp_path / "again", **own)
    assert again.same
    assert str(again).startswith("own: the same as its record. The cohort was generated again: scenario")
    assert sorted(path.name for path in (tmp_path / "again").iterdir()) == ["own.html", "own.ipynb", "own.json"]
    assert {path.name: path.read_bytes() for path in (tmp_path / "report").iterdir()} == before


@pytest.mark.usefixtures("no_kernel")
def test_a_template_that_is_not_the_same_is_said(made, tmp_path):
    program = Path(pypandoc.__file__).resolve().parent / "files" / "pandoc"
    plain = subprocess.run(
        [program, "--print-default-data-file=reference.docx"], capture_output=True, check=True
    ).stdout
    look = tmp_path / "ours.docx"
    look.write_bytes(plain)
    record = tmp_path / "in our look" / "own.json"
    own = tmp_path / "own.ipynb"
    make_report(
        str(own), tmp_path / "cohort", record.parent, formats=("docx",), templates=(look,), parameters={"week": 6}
    )
    assert read_record(record).templates == {"docx": hashlib.sha256(plain).hexdigest()}
    compared = repeat_report(record, notebook=own, trust=True)
    assert compared.surroundings.empty
    without = repeat_report(record, notebook=own, trust=True, out=tmp_path / "without")
    assert without.same
    assert without.surroundings.to_numpy().tolist() == [
        ["template for docx, SHA-256", hashlib.sha256(plain).hexdigest()[:16], "none"]
    ]
    again = repeat_report(record, notebook=own, trust=True, out=tmp_path / "with", templates=(look,))
    assert again.surroundings.empty


@pytest.mark.usefixtures("no_kernel")
def test_a_difference_is_named_with_its_cell(made, tmp_path):
    write_notebook(tmp_path, SHOW.replace("reset_index(name", "add(1).reset_index(name"))
    repeated = repeat_report(made, notebook=tmp_path / "own.ipynb", trust=True)
    assert not repeated.same
    assert repeated.differences[["kind", "cell", "name"]].to_numpy().tolist() == [["table", "cell-0", "Patients."]]
    assert repeated.differences["difference"].iloc[0].startswith("rows > 1 > 2: '")
    assert repeated.surroundings["what"].tolist() == ["notebook, SHA-256"]
    assert "NOT the same" in str(repeated)


@pytest.mark.usefixtures("no_kernel")
def test_without_the_old_notebook_a_difference_is_still_seen(made, tmp_path):
    made.with_suffix(".ipynb").unlink()
    write_notebook(tmp_path, SHOW.replace('"Patients."', '"Patients, counted."') + "\n", "print('more')")
    repeated = repeat_report(made, notebook=tmp_path / "own.ipynb", trust=True)
    assert repeated.differences["difference"].tolist() == ["differs", "is new"]


def test_other_files_are_refused_and_named(made, tmp_path):
    with (tmp_path / "cohort" / "patients.csv").open("a") as stream:
        stream.write("\n")
    (tmp_path / "cohort" / "more.csv").write_text("x")
    with pytest.raises(ReportError) as caught:
        repeat_report(made, notebook=tmp_path / "own.ipynb", trust=True)
    assert caught.value.what == (
        "The cohort is not the one the report was made from: more.csv is new; patients.csv differs."
    )


@pytest.mark.usefixtures("no_kernel")
def test_a_cohort_that_is_not_there_and_not_invented_is_asked_for(made, tmp_path):
    origin = json.loads(made.read_text(encoding="utf-8"))["origin"]
    change(made, origin={**origin, "scenario": None, "seed": None})
    (tmp_path / "cohort").rename(tmp_path / "moved")
    own = {"notebook": tmp_path / "own.ipynb", "trust": True}
    with pytest.raises(ReportError, match="The cohort folder is not where the record says") as caught:
        repeat_report(made, **own)
    assert "--cohort FOLDER" in caught.value.what_to_do
    assert repeat_report(made, cohort=tmp_path / "moved", **own).same


DEEP = '{"report": ' + "[" * 100_000 + "]" * 100_000 + "}"
LARGE = '{"report": ' + "9" * 5000 + "}"


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"notebook": 1}', '{"notebook": {"path": ""}, "report": 3}', DEEP, LARGE]
)
def test_a_file_that_is_no_record_is_refused(tmp_path, text):
    (tmp_path / "a.json").write_text(text)
    with pytest.raises(ReportError, match="The file is not the record of a report, or an older version wrote it"):
        read_record(tmp_path / "a.json")


@pytest.mark.parametrize(
    "origin",
    [{"scenario": 7}, {"scenario": []}, {"seed": "x"}, {"seed": True}, {"sources": [{"name": "a", "sha256": "b", "bytes": math.inf}]}],
)  # fmt: skip
def test_a_record_that_says_impossible_things_of_the_cohort_is_refused(made, origin):
    said = json.loads(made.read_text(encoding="utf-8"))["origin"]
    change(made, origin={**said, **origin})
    with pytest.raises(ReportError, match="The file is not the record of a report"):
        read_record(made)


def test_a_record_whose_notebook_has_no_size_is_refused(made):
    notebook = json.loads(made.read_text(encoding="utf-8"))["notebook"]
    change(made, notebook={**notebook, "bytes": math.inf})
    with pytest.raises(ReportError, match="The file is not the record of a report"):
        read_record(made)


@pytest.mark.parametrize("name", ["a\0b", "a\ud800b"])
def test_a_cohort_folder_that_no_system_can_have_is_refused(made, tmp_path, name):
    with pytest.raises(ReportError, match="No file has such a name"):
        repeat_report(made, cohort=name, notebook=tmp_path / "own.ipynb", trust=True)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"patients": 20_000_000}, "5,000,000 planned values at most"), ({"patients": 60_000}, "60,000 patients with 94 each"),
        ({"patients": 12, "quarters": 10**12}, "quarters should be a whole number from 1 to 200"),
        ({"patients": 10**300}, "5,000,000 planned values at most"),
    ],
)  # fmt: skip
def test_a_record_that_asks_for_too_large_a_cohort_is_refused(made, tmp_path, asked, said):
    origin = json.loads(made.read_text(encoding="utf-8"))["origin"]
    change(made, origin={**origin, "parameters": asked})
    shutil.rmtree(tmp_path / "cohort")
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(ReportError) as caught:
        repeat_report(made, notebook=tmp_path / "own.ipynb", trust=True, out=tmp_path / "again")
    assert said in caught.value.what
    assert str(made) in caught.value.where
    assert "--cohort FOLDER" in caught.value.what_to_do
    assert sorted(tmp_path.rglob("*")) == before


def large_plan():
    return plan_analysis(generate_cohort(patients=45, seed=1).observed, parameters={"imputations": 5000})


@pytest.mark.parametrize(
    ("parameters", "said"),
    [
        ({"imputations": 10**9}, "imputations 1,000,000,000"),
        ({"extra": ["a"] * 1001}, "extra with 1,001 entries"),
        (lambda: {"plan": large_plan().to_toml()}, "imputations 5,000"),
    ],
)
def test_a_record_that_asks_for_too_much_work_is_refused(tmp_path, parameters, said):
    record = write_record(tmp_path / "record.json", "protocol_comparison")
    change(record, parameters=parameters() if callable(parameters) else parameters)
    with pytest.raises(ReportError) as caught:
        repeat_report(record, out=tmp_path / "again")
    assert caught.value.what == f"The record asks for more than the 1,000 that a record may ask for: {said}."
    assert str(record) in caught.value.where
    assert "kneecurve report" in caught.value.what_to_do
    assert list(tmp_path.iterdir()) == [record]


def test_the_record_holds_seed_command_versions_and_what_is_shown(made):
    data = json.loads(made.read_text(encoding="utf-8"))
    assert (data["seed"], data["scenario"]) == (5, "ligament reconstruction")
    assert data["command"] == "kneecurve report ../own.ipynb ../cohort --out report --set week=6.0"
    assert {"python", "numpy", "matplotlib", "kneecurve"} <= set(data["versions"])
    assert [(one["cell"], one["kind"], one["name"]) for one in data["shows"]] == [
        ("cell-0", "sentences", "Seen at week 6.0."), ("cell-0", "table", "Patients."),
    ]  # fmt: skip
    assert read_record(made).to_json() == {name: value for name, value in data.items() if name != "made"}


def test_error_outputs_and_messages_are_no_contents():
    outputs = [
        nbformat.v4.new_output("stream", name="stderr", text="warning"),
        nbformat.v4.new_output("error", ename="ValueError", evalue="no", traceback=["no"]),
        nbformat.v4.new_output("stream", name="stdout", text="printed"),
    ]
    title = nbformat.v4.new_markdown_cell("# Title")
    notebook = nbformat.v4.new_notebook(cells=[title, nbformat.v4.new_code_cell("x", id="x", outputs=outputs)])
    digests = read_digests(read_document(notebook))
    assert [(digest.kind, words) for digest, words in digests.items()] == [("output", "printed")]


def test_the_first_difference_is_found_deep_in_a_table():
    then = {"caption": "c", "rows": [["a", "1"], ["b", "2"]]}
    assert first_difference(then, then) == ""
    assert first_difference(then, {**then, "rows": [["a", "1"], ["b", "3"]]}) == "rows > 2 > 2: '2' then, '3' now"
    assert first_difference(then, {**then, "rows": []}) == "rows: [['a', '1'], ['b', '2']] then, [] now"


def test_a_report_says_whether_it_can_be_made_again():
    known = {"python": "3.11", "kneecurve": "1"}
    invented = repeatable_in_words("r", invented=True, versions=known)
    assert "from the scenario and its seed" in invented
    assert "kneecurve repeat r.json" in invented
    unknown = repeatable_in_words("r", invented=True, versions=known | {"kneecurve": "not installed as a package"})
    assert unknown.startswith("It cannot be said that it can be made again: the version of kneecurve is not known")
