"""Word, PowerPoint and PDF: made from the same document, whole, accessible, and the same bytes twice."""

import io
import re
import shutil
import struct
import subprocess
import zipfile
from dataclasses import replace
from xml.etree import ElementTree

import nbformat
import numpy as np
import pandas as pd
import pytest
from pypdf import PdfReader

from analysis.errors import ReportError
from analysis.report import Column, Figure, Passage, Table, make_report
from analysis.report.forms import pdf
from analysis.report.forms.csv_tables import document_to_csv
from analysis.report.forms.document import Document, Shown, read_document
from analysis.report.forms.markdown import Heading
from analysis.report.forms.office import pandoc
from analysis.report.forms.office.slides import document_to_slides
from analysis.report.forms.office.word import document_to_word
from analysis.report.forms.paper import column_widths, in_parts, width_on_paper
from analysis.report.parts.look import new_drawing

HOSTILE = '#strong[x] \\ "q" <b> $x^2$ *y* =cmd() \u202bפרוטוקול é'
WORD = {"w": "http://schemas.openxmlformats.org/wordprocessingml/2006/main"}
DRAWING = {"a": "http://schemas.openxmlformats.org/drawingml/2006/main"}


def output(item):
    bundle = item._repr_mimebundle_()
    data, metadata = bundle if isinstance(bundle, tuple) else (bundle, {})
    return nbformat.v4.new_output("display_data", data=dict(data), metadata=dict(metadata))


def table():
    data = pd.DataFrame({"name": [HOSTILE, "b", "c"], "n": [1, 2, 3], "group": ["one", "two", "one"]})
    columns = (Column("name", "Name"), Column("n", "Number", "count", group="Counts"))
    return Table(data, f"Caption {HOSTILE}", columns, ("A note.",), rows_grouped_by="group")


def figure(number=1):
    def draw(width):
        drawing = new_drawing(width, 2.0)
        drawing.add_subplot().plot(np.arange(number + 2))
        return drawing

    return Figure(
        "f",
        f"Figure title {number}",
        "Its caption.",
        f"The line rises to {number}.",
        table(),
        draw,
        f"Message {number}",
    )


def of(*blocks, title="Title"):
    """Make a document of its blocks after the title."""
    return Document((Shown("cell", (Heading(1, title), *blocks)),))


def grid(caption, columns, rows, groups=None):
    """Make a table of text cells: label, heading over it, and whether it is set to the right."""
    made = tuple(
        Column(str(place), label, "right" if right else "text", group=over)
        for place, (label, over, right) in enumerate(columns)
    )
    data = pd.DataFrame(rows, columns=[column.name for column in made])
    return Table(data.assign(group=groups), caption, made, rows_grouped_by="group" if groups else "")


@pytest.fixture(scope="module")
def document():
    items = [
        Passage(("Subtitle", "Second line"), "subtitle"), Passage((f"Answer one. And two {HOSTILE}.",), "answer"),
        Passage(("Item",), "items"), Passage(("Nothing.",), "absent"), Passage(("Care.",), "caution"), table(),
        *(figure(number) for number in range(1, 11)),
    ]  # fmt: skip
    cells = [
        nbformat.v4.new_markdown_cell("# Title\n\n## Section *one*\n\nSome [text](https://example.org)."),
        nbformat.v4.new_code_cell("x", outputs=[output(item) for item in items]),
        nbformat.v4.new_code_cell("y", outputs=[nbformat.v4.new_output("stream", name="stdout", text="printed")]),
        nbformat.v4.new_markdown_cell("### Deeper"),
    ]
    return read_document(nbformat.v4.new_notebook(cells=cells))


def test_the_document_has_every_block_in_order(document):
    assert (document.title.text, document.subtitle) == ("Title", ("Subtitle", "Second line"))
    kinds = [type(block) for block in document.blocks]
    assert kinds[0] is Heading
    assert document.blocks[1].paragraphs == ("Some text.",)
    assert kinds.count(Figure) == 10
    assert kinds.count(Table) == 1
    assert [(one.paragraphs, one.kind) for one in document.blocks[-2:-1]] == [(("printed",), "output")]
    assert (document.blocks[-1].level, document.blocks[-1].text) == (3, "Deeper")


def test_rows_of_a_group_stand_together(document):
    read = next(block for block in document.blocks if isinstance(block, Table))
    assert [(group, row[1]) for group, row in read.grouped_rows()] == [("one", "1"), (None, "3"), ("two", "2")]
    assert [(over, [one.label for one in under]) for over, under in read.spans()] == [
        ("", ["Name"]), ("Counts", ["Number"]),
    ]  # fmt: skip


def test_a_notebook_without_title_is_refused():
    with pytest.raises(ReportError, match="The notebook has no title"):
        read_document(nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell("text")]))


def test_a_heading_whose_cells_showed_nothing_is_left_out_and_others_stay():
    said = nbformat.v4.new_output("display_data", {"text/plain": "shown"})
    markdown, code = nbformat.v4.new_markdown_cell, nbformat.v4.new_code_cell
    cells = [
        markdown("# Title"), code("1"), markdown("## Nothing"), code("2"), code("3"), markdown("## Something"), code("4", outputs=[said]),
        markdown("## Above\n\n### Below"), code("5"), markdown("Words.\n\n## Planned"), markdown("## Last"), code("6"),
    ]  # fmt: skip
    document = read_document(nbformat.v4.new_notebook(cells=cells))
    headings = [block.text for block in document.blocks if isinstance(block, Heading)]
    assert document.title.text == "Title"
    assert headings == ["Something", "Above", "Planned"]


def parts(file):
    archive = zipfile.ZipFile(io.BytesIO(file))
    assert archive.testzip() is None
    return {name: archive.read(name).decode("utf-8") for name in archive.namelist() if name.endswith(".xml")}


def shapes(part):
    """Give the text of each shape of a slide that has any."""
    found = [one for one in ElementTree.fromstring(part).iter() if one.tag.endswith("}sp")]
    return ["".join(run.text or "" for run in one.iterfind(".//a:t", DRAWING)) for one in found]


@pytest.fixture(scope="module")
def word(document):
    return document_to_word(document, stamp="now")


@pytest.fixture(scope="module")
def slides(document):
    return document_to_slides(document, stamp="now")


def test_word_has_real_headings_tables_and_alternative_texts(word):
    body = ElementTree.fromstring(parts(word)["word/document.xml"])
    styles = [style.get(f"{{{WORD['w']}}}val") for style in body.iterfind(".//w:pStyle", WORD)]
    assert styles[0] == "Title"
    assert {"Subtitle", "Heading1", "Heading2", "Answer", "Caution", "Absent", "Notes", "TableCaption"} <= set(styles)
    assert len(body.findall(".//w:tbl", WORD)) == 11
    assert len(body.findall(".//w:tblHeader", WORD)) >= 8
    text = "".join(node.text or "" for node in body.iterfind(".//w:t", WORD)).replace("\u00a0", " ")
    assert HOSTILE in text.replace("\u200e", "")
    assert text.index("Table 1.") < text.index("Figure 1.") < text.index("The numbers in the figures")
    described = re.findall(r'<wp:docPr descr="([^"]*)"', parts(word)["word/document.xml"])
    assert described == [f"The line rises to {number}." for number in range(1, 11)]
    assert "base64" not in parts(word)["word/document.xml"]


def test_word_has_our_styles_and_paper(word):
    assert "Palatino Linotype" in parts(word)["word/styles.xml"]
    assert 'w:w="11906"' in parts(word)["word/document.xml"]


def test_slides_are_eleven_or_fewer_with_a_message_each_and_the_numbers_in_the_notes(slides):
    known = parts(slides)
    made = [name for name in known if re.fullmatch(r"ppt/slides/slide\d+\.xml", name)]
    assert len(made) == 11
    names = [f"ppt/slides/slide{number}.xml" for number in range(1, 12)]
    texts = [shapes(known[name]) for name in names]
    assert [text[0] for text in texts] == [
        "Title", "In short", *(f"Message {number}" for number in range(1, 9)), "Read with these cautions",
    ]  # fmt: skip
    notes = [known[name] for name in known if re.fullmatch(r"ppt/notesSlides/notesSlide\d+\.xml", name)]
    assert len(notes) == 11
    assert any("Number: 1." in re.sub(r"<[^>]+>", "", note) for note in notes)
    assert 'descr="The line rises to 1."' in known["ppt/slides/slide3.xml"]
    assert "base64" not in "".join(known.values())


def test_a_slide_holds_what_fits_and_the_notes_hold_all(document):
    long = Passage((" ".join(f"Sentence {n} {'x' * 90}." for n in range(12)),), "answer")
    known = parts(document_to_slides(of(long), stamp="now"))
    shown = "".join(shapes(known["ppt/slides/slide2.xml"]))
    assert "Sentence 4" in shown
    assert "Sentence 7" not in shown
    assert "The rest is in the notes." in shown
    assert any("Sentence 11" in text for name, text in known.items() if "notesSlide" in name)


def test_a_table_too_wide_for_paper_is_cut_into_parts_that_repeat_the_first_column():
    columns = (("Characteristic", "", False), *((f"protocol {n} (n = 20)", "Protocols", True) for n in range(12)))
    rows = tuple((f"row {r}", *(f"{r}.{n} of 20 (55 %)" for n in range(12))) for r in range(3))
    made = in_parts(grid("Wide.", columns, rows))
    assert [part.caption for part in made] == [f"Wide. Part {n} of {len(made)}." for n in range(1, len(made) + 1)]
    assert len(made) > 1
    assert all(sum(column_widths(part)) <= 135 and part.rows()[1][0] == "row 1" for part in made)
    assert [cell for part in made for cell in part.rows()[2][1:]] == list(rows[2][1:])
    assert [one.label for part in made for one in part.columns[1:]] == [label for label, _, _ in columns[1:]]
    narrow = grid("Narrow.", columns[:4], tuple(row[:4] for row in rows))
    assert in_parts(narrow) == [narrow]


def test_where_room_is_short_text_wraps_before_words_and_numbers_are_broken():
    columns = (("Measure", "", False), ("Week", "", True), ("Baseline", "", True), ("Change", "", True),
               ("Threshold", "", False), ("Against it", "", False))  # fmt: skip
    row = (
        "Limb symmetry index, quadriceps torque",
        "52",
        "101.1",
        "−10.7",
        "20, minimal detectable change",
        "less " * 5,
    )
    widths = column_widths(grid("Crowded.", columns, (row,) * 2))
    assert sum(widths) <= 100.5
    for (label, _, _), width in zip(columns, widths, strict=True):
        assert width >= max(map(len, label.split())) + 3
    assert widths[4] >= len("detectable") + 3
    assert widths[0] < len(row[0])


def test_a_bold_word_of_a_heading_is_not_broken_where_there_is_room():
    """ "interval" over short cells: eight bold letters, and the space beside a cell, need thirteen of usual width."""
    columns = (("Protocol", "", False), ("95 % interval", "", True), ("Number needed to treat", "", False))
    widths = column_widths(grid("Roomy.", columns, (("usual", "0 to 6", "32"),)))
    assert widths[1] >= 13


def test_paragraphs_of_the_answer_are_points_of_a_slide_even_where_they_begin_with_a_number(document):
    answer = Passage(("The check found no error.", "71/240 patients are lost. Others came back."), "answer")
    known = parts(document_to_slides(of(answer), stamp="now"))
    points = re.findall(r"<a:p>.*?</a:p>", known["ppt/slides/slide2.xml"], flags=re.DOTALL)
    said = [re.sub(r"<[^>]+>", "", one).replace("\u00a0", " ") for one in points]
    assert said[1:] == ["The check found no error.", "71/240 patients are lost.", "Others came back."]


def test_the_heading_of_a_group_is_never_the_last_line_of_a_page(document):
    for before in range(44, 52):
        groups = tuple("first" if row < before else "second" for row in range(60))
        rows = tuple((f"row {r}", "1") for r in range(60))
        long = grid("Long.", (("Row", "", False), ("N", "", True)), rows, list(groups))
        file = pdf.document_to_pdf(of(long), stamp="now")
        pages = [page.extract_text().split("\n") for page in PdfReader(io.BytesIO(file)).pages]
        page = next(lines for lines in pages if "second" in lines)
        assert any(line.startswith(f"row {before}") for line in page[page.index("second") :]), before


def test_a_tall_picture_is_made_narrower_so_that_its_caption_stays_on_the_page(document):
    picture = next(block for block in document.blocks if isinstance(block, Figure)).png()
    assert width_on_paper(picture) == 1.0
    size = struct.pack(">II", 760, 760 * 3)
    assert width_on_paper(picture[:16] + size + picture[24:]) == pytest.approx(0.4)


def test_a_pdf_is_tagged_and_says_it_keeps_to_ua_1(document):
    file = pdf.document_to_pdf(document, stamp="now")
    assert file.startswith(b"%PDF")
    assert b"/StructTreeRoot" in file
    assert re.search(rb"pdfuaid:part[>=\"]*1", file)
    assert b"/Lang" in file


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_the_text_of_a_pdf_is_in_order_and_nothing_in_it_is_markup(document, tmp_path):
    (tmp_path / "a.pdf").write_bytes(pdf.document_to_pdf(document, stamp="now"))
    text = subprocess.run(
        ["pdftotext", "-raw", str(tmp_path / "a.pdf"), "-"], capture_output=True, text=True, check=True
    ).stdout
    words = [
        "Title",
        "Second line",
        "Section one",
        "Answer one.",
        "Table 1",
        "Figure 1",
        "Deeper",
        "attached to this file",
    ]
    places = [text.index(word) for word in words]
    assert places == sorted(places)
    assert "#strong[x]" in text
    assert "=cmd()" in text


def test_a_pdf_holds_the_numbers_of_tables_and_figures_as_files(document):
    reader = PdfReader(io.BytesIO(pdf.document_to_pdf(document, stamp="now")))
    files = document_to_csv(document)
    assert len(files) == 1 + sum(isinstance(block, Table | Figure) for block in document.blocks)
    assert {name: b"".join(reader.attachments[name]).decode() for name in files} == files


def test_long_tables_of_the_appendix_of_a_pdf_are_named_with_their_file(document):
    rows = pd.DataFrame({"week": range(20), "share": np.linspace(0, 1, 20)})
    long, short = Table(rows, "Week by week.", name="weekly"), Table(rows.head(3), "Three weeks.", name="three")
    within = of(Heading(2, "Before"), long, Heading(2, "Appendix"), Heading(3, "Detail"), long, short)
    reader = PdfReader(io.BytesIO(pdf.document_to_pdf(within, stamp="now")))
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    assert "20 rows: attached as weekly-2.csv." in text
    assert len(re.findall("Table [0-9]: Week by week", text)) == 1
    assert "Three weeks." in text
    assert b"".join(reader.attachments["weekly-2.csv"]).decode() == long.to_csv()


def test_the_same_document_has_the_same_bytes(document, word, slides):
    assert document_to_word(document, stamp="now") == word
    assert document_to_slides(document, stamp="now") == slides
    assert pdf.document_to_pdf(document, stamp="now") == pdf.document_to_pdf(document, stamp="now")


def test_a_picture_without_sentence_is_refused_by_the_pdf(document):
    with pytest.raises(ReportError, match="The PDF could not be set"):
        pdf.document_to_pdf(of(replace(figure(), alt="")), stamp="now")


def test_missing_packages_are_named(monkeypatch, document):
    def missing(name):
        raise ImportError(name)

    monkeypatch.setattr(pdf.importlib, "import_module", missing)
    with pytest.raises(ReportError, match="A PDF needs the package typst"):
        pdf.document_to_pdf(document, stamp="now")
    pandoc._path.cache_clear()
    with pytest.raises(ReportError, match="Word and PowerPoint files need the package pypandoc-binary"):
        document_to_word(document, stamp="now")


def test_an_unknown_format_is_refused(invented_folder, tmp_path):
    with pytest.raises(ReportError) as caught:
        make_report("protocol_comparison", invented_folder, tmp_path / "report", formats=("html", "odt"))
    assert str(caught.value) == (
        "There is no format 'odt'.\n  where: formats of the report\n  what to do: Use some of: html, pdf, docx, pptx, handout, csv."
    )


def test_a_slide_of_an_answer_shows_its_points_and_the_notes_its_sentences():
    said = Passage(("A long sentence. Another one.",), "answer", points=("In few words.",))
    known = parts(document_to_slides(of(said), stamp="now"))
    assert "In few words." in "".join(shapes(known["ppt/slides/slide2.xml"]))
    assert "Another one." not in "".join(shapes(known["ppt/slides/slide2.xml"]))
    assert any("Another one." in text for name, text in known.items() if "notesSlide" in name)
    assert Passage.from_json(said.to_json()) == said


def test_the_first_slide_is_light_on_dark_and_no_other(slides):
    known = parts(slides)
    turned = [
        name for name, text in known.items() if name.startswith("ppt/slides/slide") and "overrideClrMapping" in text
    ]
    assert turned == ["ppt/slides/slide1.xml"]
    assert known["ppt/slides/slide1.xml"].count("<p:bg>") == 1
    assert known["ppt/slides/slide1.xml"].count("<p:clrMapOvr>") == 1
