"""A handout has four pages at most, what is tagged and nothing else, and the numbers that the whole report has."""

import io

import nbformat
import numpy as np
import pandas as pd
import pytest
from pypdf import PdfReader

from analysis.errors import ReportError
from analysis.report import Figure, Passage, Table, make_report
from analysis.report.forms import handout
from analysis.report.forms.document import Document, Shown, read_document
from analysis.report.forms.handout import MOST_PAGES, document_to_handout
from analysis.report.forms.markdown import Heading
from analysis.report.parts.look import new_drawing
from analysis.writing.owners import temporary_folder


def figure(number, message="A message"):
    def draw(width):
        drawing = new_drawing(width, 4.0)
        drawing.add_subplot().plot(np.arange(number + 2))
        return drawing

    numbers = Table(pd.DataFrame({"n": [number]}), "Numbers.")
    return Figure(
        f"f{number}", f"Figure title {number}", "Its caption.", f"It rises to {number}.", numbers, draw, message
    )


def text_of(pdf):
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())


def test_a_handout_shows_what_is_tagged_under_the_numbers_of_the_report():
    document = Document(
        (
            Shown("title", (Heading(1, "Title"),), is_output=False),
            Shown("a", (Heading(2, "Left out"), figure(1), figure(2))),
            Shown("b", (Heading(2, "Kept"), Passage(("A sentence.",)), figure(3), figure(4, message="")), handout=True),
        )
    )
    text = text_of(document_to_handout(document, stamp="2026-01-01"))
    assert "Kept" in text
    assert "A sentence." in text
    assert "Figure 3" in text
    assert "Left out" not in text
    assert "Figure title 1" not in text
    assert "Figure title 4" not in text  # not worth a slide
    assert "whole report" not in text


def test_figures_that_do_not_fit_are_left_out_and_counted():
    kept = Shown("a", tuple(figure(number) for number in range(1, 21)), handout=True)
    made = document_to_handout(Document((Shown("t", (Heading(1, "Title"),)), kept)), stamp="2026-01-01")
    assert len(PdfReader(io.BytesIO(made)).pages) <= MOST_PAGES
    text = text_of(made)
    shown = sum(f"Figure title {number}." in text for number in range(1, 21))
    assert 0 < shown < 20
    assert f"{20 - shown} more figures stand in the whole report." in text


def test_figures_are_a_little_smaller_where_that_saves_a_page():
    """Of four figures and some words the last would stand alone on a second page."""
    saved = []
    for n_sentences in (0, 8):
        words = Passage(("A sentence.", *["A sentence of some more words."] * n_sentences), "items")
        kept = Shown("a", (words, *(figure(number) for number in range(1, 5))), handout=True)
        document = Document((Shown("t", (Heading(1, "Title"),)), kept))
        with temporary_folder() as folder:
            places = handout._kept(document)
            large = handout._source(document, places, set(), folder, stamp="2026-01-01", scale=handout._SCALE)
            needed = handout._pages(large, folder)
        made = PdfReader(io.BytesIO(document_to_handout(document, stamp="2026-01-01")))
        saved.append(needed - len(made.pages))
        assert "Figure title 4" in " ".join(page.extract_text() for page in made.pages)
    assert saved == [1, 0]


def test_words_that_do_not_fit_are_never_cut():
    words = Passage(tuple(f"Sentence {number} of many that are long enough to take a line." for number in range(400)))
    document = Document((Shown("t", (Heading(1, "Title"),)), Shown("a", (words,), handout=True)))
    with pytest.raises(ReportError, match="more than 4 pages"):
        document_to_handout(document, stamp="2026-01-01")


def test_the_tag_of_a_cell_is_read_and_a_report_without_one_has_no_handout(tmp_path):
    cells = [
        nbformat.v4.new_markdown_cell("# Title"),
        nbformat.v4.new_markdown_cell("## Kept", metadata={"tags": ["handout"]}),
        nbformat.v4.new_markdown_cell("Words."),
    ]
    read = read_document(nbformat.v4.new_notebook(cells=cells))
    assert [one.handout for one in read.shown] == [False, True, False]
    with pytest.raises(ReportError, match="has no handout"):
        document_to_handout(Document(read.shown[:1]), stamp="2026-01-01")


def test_a_report_without_a_handout_is_refused_before_it_runs(invented_folder, tmp_path):
    with pytest.raises(ReportError, match="'protocol_comparison' has no handout"):
        make_report("protocol_comparison", invented_folder, tmp_path / "out", formats=("handout",))
    assert not (tmp_path / "out").exists()
