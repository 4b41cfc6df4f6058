"""What must not leave the team says so on every page and slide, whatever the form."""

import io
import re
import zipfile

import pandas as pd
import pytest
from pypdf import PdfReader

from analysis.report import Passage, Table
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.html import document_to_html
from analysis.report.forms.markdown import Heading
from analysis.report.forms.office.slides import document_to_slides
from analysis.report.forms.office.word import document_to_word
from analysis.report.forms.pdf import document_to_pdf

MARK = "Internal: counts & all. Not for release."


@pytest.fixture(scope="module")
def marked():
    long = Passage(tuple(f"Sentence {number} of many." for number in range(200)))
    answer, care = Passage(("An answer.",), "answer"), Passage(("Care.",), "caution")
    numbers = Table(pd.DataFrame({"n": [1]}), "Counted.", message="Counted once")
    blocks = (Passage((MARK,), "watermark"), answer, numbers, long, care)
    return Document((Shown("a", (Heading(1, "Title"), *blocks)),))


def parts(file):
    with zipfile.ZipFile(io.BytesIO(file)) as opened:
        return {name: opened.read(name).decode() for name in opened.namelist() if name.endswith((".xml", ".rels"))}


def test_it_is_no_paragraph_of_the_report(marked):
    assert marked.watermark == MARK
    assert not any(MARK in str(one) for one in marked.blocks)


def test_every_page_of_a_pdf_has_it(marked):
    pages = PdfReader(io.BytesIO(document_to_pdf(marked, stamp="2026-01-01"))).pages
    assert len(pages) > 2
    assert all(MARK in page.extract_text() for page in pages)


def test_every_slide_has_it(marked):
    slides = [
        text for name, text in parts(document_to_slides(marked, stamp="s")).items() if re.match(r"ppt/slides/s", name)
    ]
    assert len(slides) == 4  # title, answer, table, cautions
    assert all(MARK.replace("&", "&amp;") in text for text in slides)


def test_every_page_of_a_word_file_has_it_in_its_header(marked):
    found = parts(document_to_word(marked, stamp="s"))
    assert MARK.replace("&", "&amp;") in found["word/header_mark.xml"]
    sections = re.findall(r"<w:sectPr.*?</w:sectPr>", found["word/document.xml"], flags=re.DOTALL)
    assert sections
    assert all('w:type="default" r:id="rIdMark"' in one for one in sections)
    assert 'Id="rIdMark"' in found["word/_rels/document.xml.rels"]
    assert "/word/header_mark.xml" in found["[Content_Types].xml"]


def test_a_page_has_it_where_it_stays_in_sight_and_on_paper(marked):
    page = document_to_html(marked, stamp="s")
    assert f'<p class="watermark">{MARK.replace("&", "&amp;")}</p>' in page
    assert re.search(r"\.watermark \{\s*position: fixed", page)


def test_without_one_nothing_is_marked():
    plain = Document((Shown("a", (Heading(1, "Title"), Passage(("Words.",)))),))
    assert 'class="watermark"' not in document_to_html(plain, stamp="s")
    assert "word/header_mark.xml" not in parts(document_to_word(plain, stamp="s"))
    assert all("Mark" not in text for text in parts(document_to_slides(plain, stamp="s")).values())
