"""A PDF as a reader of the screen meets it: tags, alternative texts, table heads, language, order; and PDF/UA-1 refused."""

import io
import itertools

import pandas as pd
import pytest
from pypdf import PdfReader

from analysis.report import Column, Figure, Passage, Table
from analysis.report.forms import pdf
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.markdown import Heading
from analysis.report.parts.look import new_drawing

RTL = "פרוטוקול מוקדם"
PHRASES = ("Answer first.", "Then Élan.", "A caption with n = 3.", "cell one", "cell two", "attached to this file")


@pytest.fixture(scope="module")
def reader():

    def draw(width):
        drawing = new_drawing(width, 1.5)
        drawing.add_subplot().plot([0, 1])
        return drawing

    data = pd.DataFrame({"name": ["cell one", "cell two"], "share": [0.05, 0.06], "n": [1, 2]})
    columns = (
        Column("name", "Name"), Column("share", "Share", "share", group="Counts"),
        Column("n", "Number", "count", group="Counts"),
    )  # fmt: skip
    table = Table(data, "A caption with n = 3.", columns, ("A note.",))
    figure = Figure("curves", "Curves", "Their caption.", "The curve rises from 0 to 1.", table, draw, "It rises")
    blocks = (
        Heading(1, "A title"), Passage(("Under it",), "subtitle"), Heading(2, "In short"),
        Passage(("Answer first.",), "answer"), Heading(3, "More"), Passage(("Then Élan.", RTL)), table, figure,
        Passage(("One", "Two"), "items"), Heading(2, "Last"), Passage(("Care.",), "caution"),
    )  # fmt: skip
    file = pdf.document_to_pdf(Document((Shown("cell", blocks),)), stamp="now")
    return PdfReader(io.BytesIO(file))


def elements(node, within=()):
    """Walk the tree of tags; give each element with the tags it lies in."""
    node = node.get_object()
    if isinstance(node, list):
        for one in node:
            yield from elements(one, within)
    elif isinstance(node, dict):
        if "/S" in node:
            yield str(node["/S"]), node, within
            within = (*within, str(node["/S"]))
        if "/K" in node and not isinstance(node["/K"], int):
            yield from elements(node["/K"], within)


@pytest.fixture(scope="module")
def tags(reader):
    return list(elements(reader.trailer["/Root"]["/StructTreeRoot"]))


def test_the_file_names_language_title_and_standard(reader):
    root = reader.trailer["/Root"]
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"] is not None
    assert bool(root["/MarkInfo"]["/Marked"])
    assert bool(root["/ViewerPreferences"]["/DisplayDocTitle"])
    assert reader.metadata.title == "A title"
    assert b"<pdfuaid:part>1</pdfuaid:part>" in root["/Metadata"].get_data()


def test_headings_do_not_jump_and_figures_have_their_sentence(tags):
    levels = [int(name[2:]) for name, _, _ in tags if name in {f"/H{level}" for level in range(1, 7)}]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    assert [node["/Alt"] for name, node, _ in tags if name == "/Figure"] == ["The curve rises from 0 to 1."]


def test_tables_have_heads_with_scope_and_lists_are_lists(tags):
    names = [name for name, _, _ in tags]
    assert names.count("/Table") == 1
    heads = [node for name, node, _ in tags if name == "/TH"]
    assert len(heads) >= 3
    parts = [head["/A"].get_object() for head in heads]
    every = [one.get_object() for part in parts for one in (part if isinstance(part, list) else [part])]
    scopes = {one["/Scope"] for one in every if "/Scope" in one}
    assert scopes
    assert scopes <= {"/Column", "/Row", "/Both"}
    assert all("/TR" in within for name, _, within in tags if name in ("/TH", "/TD"))
    assert names.count("/LI") >= 2


def test_all_text_is_in_the_tree_and_in_reading_order(reader, tags):
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split()).replace("\u00a0", " ")
    places = [text.index(phrase) for phrase in PHRASES]
    assert places == sorted(places)
    assert sorted(RTL.replace(" ", "")) == sorted(one for one in text if "\u0590" <= one <= "\u05ff")
    assert {name for name, _, _ in tags} >= {"/Document", "/P", "/Caption"}


def test_every_font_is_in_the_file(reader):
    for page in reader.pages:
        for font in page["/Resources"].get("/Font", {}).values():
            inner = font.get_object()
            one = inner["/DescendantFonts"][0].get_object() if "/DescendantFonts" in inner else inner
            descriptor = one["/FontDescriptor"].get_object()
            assert any(name in descriptor for name in ("/FontFile", "/FontFile2", "/FontFile3"))
            assert "/ToUnicode" in inner
