"""Figures and tables of a report as files for a journal: drawn at its width, numbered, of the report that was made, or none."""

import io
import json
import re
import shutil
import zipfile

import nbformat
import pytest
from PIL import Image
from pypdf import PdfReader

from analysis.cohort import write_cohort
from analysis.errors import ReportError
from analysis.report import export_report, make_report
from analysis.report.exporting import export
from analysis.report.running import make
from synthetic_cohort import generate_cohort

from ..running.in_this_process import run_here

SHOW = """
from analysis.cohort import load_cohort
from analysis.report import Column, Figure, Section, Table
from analysis.report.parts.look import OF_PATIENTS, new_drawing
counts = load_cohort(folder).patients.groupby("protocol", observed=True).size().reset_index(name="patients")
counts["share"] = counts["patients"] / 3 / counts["patients"].sum()
shown = (Column("protocol", "Protocol"), Column("share", "Share", "share"))
def draw(width):
    drawing = new_drawing(width, 2.0)
    axes = drawing.add_subplot()
    axes.plot([0, 1], [2, 3])
    axes.plot([0.5], [2.5], "o", **OF_PATIENTS)
    axes.set_title(f"Counted, {width}, {drawing.get_figwidth():.2f} inches")
    return drawing
table = Table(counts, "Patients.", shown, ("A third of each.",), "counted")
figure = Figure("counts", "Counts", "Counted by protocol.", "Two counts.", table, draw)
Section((table, figure, Table(counts, "Again.", shown, ("A third of each.",), "again")))
"""


@pytest.fixture(scope="module")
def made_once(tmp_path_factory):
    root = tmp_path_factory.mktemp("made")
    write_cohort(generate_cohort(patients=24, seed=5).observed, root / "cohort")
    cells = [
        nbformat.v4.new_markdown_cell("# Own report", id="title"),
        nbformat.v4.new_code_cell('folder: str = ""', id="parameters", metadata={"tags": ["parameters"]}),
        nbformat.v4.new_code_cell(SHOW, id="show"),
    ]
    (root / "own.ipynb").write_text(nbformat.writes(nbformat.v4.new_notebook(cells=cells)), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(make, "run_notebook", run_here)
        make_report(str(root / "own.ipynb"), root / "cohort", root / "report")
    return root


@pytest.fixture
def made(made_once, tmp_path, monkeypatch):
    """Give a folder with cohort, notebook and report; notebooks run in this process."""
    monkeypatch.setattr(export, "run_notebook", run_here)
    shutil.copytree(made_once, tmp_path, dirs_exist_ok=True)
    return tmp_path


def test_a_paper_holds_what_is_named_in_its_order_and_is_no_report_of_all(made):
    with pytest.raises(ReportError, match="none is"):
        exported(made, paper=True)
    written = exported(made, figures=["svg"], tables=["csv"], paper=True, only=["table-2", "figure-1"])
    assert written.names[-1] == "paper.docx"
    with zipfile.ZipFile(made / "out" / "paper.docx") as word:
        text = " ".join(re.sub(r"<[^>]+>", " ", word.read("word/document.xml").decode()).split())
        assert sum(name.startswith("word/media/") for name in word.namelist()) == 1
    assert text.index("Own report") < text.index("Table 2. Again.") < text.index("Figure 1. Counts.")
    assert "Table 1." not in text


def exported(root, out="out", **asked):
    return export_report(root / "report", root / out, notebook=root / "own.ipynb", trust=True, **asked)


def test_figures_are_vectors_and_dots_of_the_width_asked_and_tables_are_whole(made):
    written = exported(made, figures=["pdf", "tiff", "svg"], width="85mm", dpi=300)
    out = made / "out"
    figure = [f"figure_01_counts.{form}" for form in ("svg", "pdf", "tiff", "csv")]
    tables = ["table_01_counted.csv", "table_02_again.csv", "tables.docx"]
    assert written.names == ("captions.txt", tables[0], *figure, *tables[1:])
    assert sorted(path.name for path in out.iterdir()) == sorted(written.names)
    assert written.remarks == ()
    drawn = (out / figure[0]).read_text(encoding="utf-8")
    assert re.search(r'<svg[^>]*width="240\.94\d*pt"', drawn)  # 85 mm of 72 points an inch
    assert drawn.count("<path") > 20
    assert "<text" not in drawn
    assert drawn.count("<image") == 1  # what is of single patients
    page = PdfReader(out / figure[1]).pages[0]
    assert float(page.mediabox.width) == pytest.approx(85 / 25.4 * 72, abs=0.01)
    assert "Counted, narrow, 3.35 inches" in page.extract_text()
    fonts = [one.get_object()["/DescendantFonts"][0].get_object() for one in page["/Resources"]["/Font"].values()]
    assert all(one["/Subtype"] == "/CIDFontType2" and "/FontFile2" in one["/FontDescriptor"] for one in fonts)
    with Image.open(out / figure[2]) as picture:
        assert (picture.width, picture.info["dpi"], picture.info["compression"]) == (1004, (300, 300), "tiff_lzw")
    assert "exercise only,0.09722222222222222\n" in (out / "table_01_counted.csv").read_text(encoding="utf-8")
    said = (out / "captions.txt").read_text(encoding="utf-8")
    assert "Figure 1. Counts.\nLegend: Counted by protocol.\nAlternative text: Two counts.\nHeight: 51 mm\n" in said
    with zipfile.ZipFile(io.BytesIO((out / "tables.docx").read_bytes())) as word:
        words = re.sub("<[^>]+>", "", word.read("word/document.xml").decode()).replace("\u00a0", " ")
    assert words.index("Table 1. Patients.") < words.index("A third of each.") < words.index("Table 2. Again.")
    assert words.count("A third of each.") == 2  # each table stands alone


def test_equal_exports_are_equal_bytes_and_some_are_chosen_by_number(made):
    exported(made, figures=["svg", "png"], only=["figure-1"], width="17.8cm", dpi=80)
    exported(made, "again", figures=["svg", "png"], only=["figure-1"], width="178mm", dpi=80)
    files = {path.name: path.read_bytes() for path in (made / "out").iterdir()}
    assert files == {path.name: path.read_bytes() for path in (made / "again").iterdir()}
    assert sorted(files) == ["captions.txt", *(f"figure_01_counts.{form}" for form in ("csv", "png", "svg"))]
    with pytest.raises(ReportError, match=r"no table-3[\s\S]*1 figures and 2 tables"):
        exported(made, "none", only=["table-3"])


def test_words_cut_off_at_a_small_width_are_told(made):
    assert exported(made, width="30mm", figures=["svg"], tables=[]).remarks == (
        "At 30 mm words are cut off in figure-1: choose a greater width for them.",
    )


def test_where_a_number_differs_nothing_is_written(made):
    notebook = made / "own.ipynb"
    notebook.write_text(notebook.read_text(encoding="utf-8").replace("/ 3 /", "/ 4 /"), encoding="utf-8")
    with pytest.raises(ReportError) as refused:
        exported(made)
    assert "differs from its record: 3 of what it shows. Nothing was exported." in refused.value.what
    assert "table “Patients.”: rows > 1 > 2: '" in refused.value.where
    assert not (made / "out").exists()


def test_only_an_earlier_export_is_replaced(made):
    exported(made, figures=[], tables=["csv"])
    with pytest.raises(ReportError, match="already"):
        exported(made)
    (made / "out" / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(ReportError, match=r"no export wrote, and is not replaced[\s\S]*notes\.txt"):
        exported(made, overwrite=True)
    (made / "out" / "notes.txt").unlink()
    exported(made, figures=["svg"], tables=[], overwrite=True)
    assert sorted(path.name for path in (made / "out").iterdir()) == ["captions.txt", "figure_01_counts.svg"]


def test_a_foreign_notebook_waits_for_trust_and_a_cohort_that_is_gone_is_asked_for(made):
    with pytest.raises(ReportError, match="outside its own folder"):
        export_report(made / "report", made / "out")
    record = made / "report" / "own.json"
    known = json.loads(record.read_text(encoding="utf-8"))
    known["origin"] |= {"scenario": None, "seed": None, "parameters": {}}
    record.write_text(json.dumps(known), encoding="utf-8")
    shutil.move(made / "cohort", made / "elsewhere")
    with pytest.raises(ReportError, match=r"The cohort folder is not where the record says[\s\S]*--cohort FOLDER"):
        exported(made)
    assert not (made / "out").exists()
    assert exported(made, cohort=made / "elsewhere", figures=[], tables=["csv"]).names[0] == "captions.txt"


@pytest.mark.slow
def test_the_kernel_of_a_report_draws_what_is_asked(made_once, tmp_path):
    written = export_report(
        made_once / "report", tmp_path / "out", notebook=made_once / "own.ipynb", trust=True, figures=["svg"], tables=[]
    )
    assert written.names == ("captions.txt", "figure_01_counts.svg")


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        (
            {"figures": ["jpg"]},
            "There is no form 'jpg'.\n  where: forms of figures\n  what to do: Use some of: svg, pdf",
        ),
        (
            {"tables": ["xlsx"]},
            "There is no form 'xlsx'.\n  where: forms of tables\n  what to do: Use some of: csv, docx",
        ),
        (
            {"figures": [], "tables": []},
            "Neither figures nor tables were asked for.\n  where: forms of figures and of tables",
        ),
        ({"width": "85"}, "'85' is no width with a unit.\n  where: width of the figures\n  what to do: Write a number"),
        (
            {"width": "1.9cm"},
            "The figures would be 19 mm wide.\n  where: width of the figures\n  what to do: Choose a width",
        ),
        (
            {"width": "16in"},
            "The figures would be 406.4 mm wide.\n  where: width of the figures\n  what to do: Choose a",
        ),
        (
            {"dpi": 71},
            "The figures would have 71 dots an inch.\n  where: dpi of the figures\n  what to do: Choose a number",
        ),
        (
            {"dpi": 1200, "width": "300mm", "figures": ["tiff"]},
            "The pictures would be 14,173 dots wide; at most 10,000 can be drawn.\n  where: dpi and width of the figures",
        ),
        (
            {"only": ["2"]},
            "'2' names no figure and no table.\n  where: what is to be exported (only)\n  what to do: Write",
        ),
        (
            {"only": ["table-1"], "tables": []},
            "table-1 was asked for, but no form of tables.\n  where: what is to be exp",
        ),
        (
            {},
            "There is no report in the folder.\n  where: {folder}\n  what to do: Name the folder that kneecurve report",
        ),
    ],
)
def test_what_cannot_be_had_is_refused_before_anything_runs(tmp_path, asked, message):
    with pytest.raises(ReportError) as refused:
        export_report(tmp_path, tmp_path / "out", **asked)
    assert str(refused.value).startswith(message.format(folder=tmp_path))
    assert "what to do: " in str(refused.value)
    assert not (tmp_path / "out").exists()


def test_a_folder_below_a_file_is_refused_before_anything_runs(made):
    below = made / "report" / "own.json" / "out"
    with pytest.raises(ReportError, match="lies in a file") as refused:
        export_report(made / "report", below, trust=True, progress=lambda *_: pytest.fail("It ran."))
    assert refused.value.where == str(below)
