"""Small pictures in the cells of tables, and tables as slides: in every form, with the text that says the same."""

import dataclasses
import io
import re
import zipfile

import pandas as pd
import pytest
from pypdf import PdfReader

from analysis.report import Column, Passage, Table
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.html import document_to_html
from analysis.report.forms.markdown import Heading
from analysis.report.forms.office.slides import document_to_slides
from analysis.report.forms.office.word import document_to_word
from analysis.report.forms.pdf import document_to_pdf
from analysis.report.parts.figures import png_of
from analysis.report.parts.look import new_drawing
from analysis.report.parts.part import PART_TYPE


def picture(width="wide", height=1.0):
    return png_of(new_drawing(width, height))


@pytest.fixture(scope="module")
def table():
    data = pd.DataFrame({"name": ["one", "two"], "line": ["1, 2 & 3", "hidden"]})
    columns = (Column("name", "Name"), Column("line", "Line"))
    return Table(data, "Lines.", columns, ("A note.",), message="Two lines", pictures={"Line": (picture(), b"")})


def of(table):
    return Document((Shown("a", (Heading(1, "Title"), Passage(("Short.",), "answer"), table)),))


def slides(file):
    with zipfile.ZipFile(io.BytesIO(file)) as opened:
        names = sorted(opened.namelist())
        return {
            name: opened.read(name).decode() for name in names if re.match(r"ppt/(slides|notesSlides)/\w+\.xml", name)
        }


def test_a_table_with_pictures_comes_back_from_a_notebook_as_it_was(table):
    shown = table._repr_mimebundle_()[PART_TYPE]["table"]
    back = Table.from_json(shown)
    assert back.pictures == table.pictures
    assert back.message == "Two lines"
    assert back.to_json() == table.to_json()
    assert "pictures" not in table.words()  # a record keeps words and numbers


def test_the_page_shows_the_picture_and_where_there_is_none_the_text(table):
    page = document_to_html(of(table), stamp="s")
    assert re.search(r'<img class="in-cell" alt="Line: 1, 2 &amp; 3" src="data:image/png', page)
    assert '<td class="left">hidden</td>' in page


def test_pdf_and_word_hold_the_picture_with_its_text(table):
    made = document_to_pdf(of(table), stamp="s")  # PDF/UA-1 refuses a picture without its text
    assert len(PdfReader(io.BytesIO(made)).pages[0].images) == 1
    with zipfile.ZipFile(io.BytesIO(document_to_word(of(table), stamp="s"))) as word:
        text = word.read("word/document.xml").decode()
        assert 'descr="Line: 1, 2 &amp; 3"' in text
        assert sum("media/" in name for name in word.namelist()) == 1


def test_a_table_with_a_message_is_a_slide_of_its_cells(table):
    found = slides(document_to_slides(of(table), stamp="s"))
    (slide,) = (text for name, text in found.items() if "<a:tbl>" in text)
    assert "Two" in slide
    assert all(f">{one}" in slide for one in ("Name", "one", "hidden"))
    assert 'sz="1200"' in slide


def test_a_table_that_is_drawn_for_a_slide_is_read_out_in_the_notes(table):
    drawn = dataclasses.replace(table, slide=picture(height=3.0))
    found = slides(document_to_slides(of(drawn), stamp="s"))
    assert not any("<a:tbl>" in text for text in found.values())
    notes = " ".join(re.findall(r"<a:t>(.*?)</a:t>", " ".join(text for name, text in found.items() if "notes" in name)))
    assert "Line: hidden." in notes
    plain = dataclasses.replace(table, message="")
    assert len(slides(document_to_slides(of(plain), stamp="s"))) < len(found)
