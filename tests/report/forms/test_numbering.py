"""A figure and a table have one number, in every form, whatever is unfolded, cut into parts or left to a file."""

import io
import re
import zipfile

import pandas as pd
from pypdf import PdfReader

from analysis.report import Figure, Table
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.html import document_to_html
from analysis.report.forms.markdown import Heading
from analysis.report.forms.office.word import document_to_word
from analysis.report.forms.pdf import document_to_pdf
from analysis.report.parts.look import new_drawing

STAMP = "2026-01-01 00:00:00 UTC"
SHORT = Table(pd.DataFrame({"n": [1]}), "A short one.")
WIDE = Table(pd.DataFrame([["cell " * 6] * 12], columns=[f"Column {n}" for n in range(12)]), "A wide one.")
LONG = Table(pd.DataFrame({"n": range(40)}), "A long one.")
DRAWN = Figure("drawn", "Drawn", "A picture.", "An empty picture.", SHORT, lambda width: new_drawing(width, 1.0))
REPORT = Document(
    (
        Shown("a", (Heading(1, "Report", "Report"), SHORT, DRAWN, WIDE)),
        Shown("b", (Heading(2, "Appendix", "Appendix"), Heading(3, "More", "More"), LONG, DRAWN)),
        Shown("c", (Heading(3, "Still more", "Still more"), SHORT, DRAWN)),
    )
)
CALLED = ["Table 1. A short", "Figure 1. Drawn", "Table 2. A wide", "Table 3. A long", "Figure 2. Drawn", "Table 4. A short",
          "Figure 3. Drawn"]  # fmt: skip


def called_in(text):
    found = re.findall(r"(?:Table|Figure) \d+[.:] (?:A \w+|Drawn)", re.sub(r"\s+", " ", text))
    return list(dict.fromkeys(one.replace(":", ".") for one in found))


def test_the_number_is_the_same_in_every_form():
    page = re.sub("<[^>]+>", "", document_to_html(REPORT, stamp=STAMP))
    assert called_in(page) == CALLED
    with zipfile.ZipFile(io.BytesIO(document_to_word(REPORT, stamp=STAMP))) as word:
        words = re.sub("<[^>]+>", "", word.read("word/document.xml").decode())
    assert called_in(words)[: len(CALLED)] == CALLED
    paper = PdfReader(io.BytesIO(document_to_pdf(REPORT, stamp=STAMP)))
    assert called_in(" ".join(one.extract_text() for one in paper.pages)) == CALLED
