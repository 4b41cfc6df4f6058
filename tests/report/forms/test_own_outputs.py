"""What a user's own notebook shows without the kit's parts comes through in every form: text, frames, pictures, words."""

import base64
import io
import re
import zipfile

import nbformat
import pandas as pd
import pytest
from matplotlib.figure import Figure as Drawing
from pypdf import PdfReader

from analysis.report import make_report
from analysis.report.forms.digest import read_digests
from analysis.report.forms.document import NO_SENTENCE, read_document
from analysis.report.forms.html import document_to_html
from analysis.report.forms.markdown import Heading, read_markdown
from analysis.report.forms.office.word import document_to_word
from analysis.report.forms.pdf import document_to_pdf

WORDS = "Words with **bold** text\nand a second line.\n\n- one\n- *two* &amp; more\n\n| a | b |\n|---|---|\n| 1 | 2 |"


def drawn(kind):
    stream = io.BytesIO()
    drawing = Drawing()
    drawing.add_subplot().plot([0, 1])
    drawing.savefig(stream, format=kind)
    return stream.getvalue()


def outputs():
    frame = pd.DataFrame({"name": ["x <y>"], "n": [7]})
    made = nbformat.v4.new_output
    return [
        made("stream", name="stdout", text="\x1b[31mprinted 120\x1b[0m\nmore lines"),
        made("display_data", data={"text/plain": repr(frame), "text/html": frame.to_html()}),
        made("display_data", data={"text/plain": "<Figure>", "image/png": base64.b64encode(drawn("png")).decode()}),
        made(
            "display_data",
            data={"text/plain": "<Photo>", "image/jpeg": base64.b64encode(drawn("jpeg")).decode()},
            metadata={"image/jpeg": {"alt": "A knee at 90 degrees."}},
        ),
        made("display_data", data={"text/plain": "<Lines>", "image/svg+xml": drawn("svg").decode()}),
        made("display_data", data={"text/plain": "<Markdown>", "text/markdown": "### Sub\n\nShown by *code*."}),
        made("error", ename="ValueError", evalue="no", traceback=["\x1b[31mValueError\x1b[0m: no"]),
        made("execute_result", data={"text/plain": "[1, 2]"}, execution_count=1),
    ]


@pytest.fixture(scope="module")
def document():
    cells = [
        nbformat.v4.new_markdown_cell("# My *own* report", id="title"),
        nbformat.v4.new_markdown_cell(f"## Words\n\n{WORDS}", id="words"),
        nbformat.v4.new_code_cell("secret_code()", id="code", outputs=outputs()),
    ]
    return read_document(nbformat.v4.new_notebook(cells=cells))


def test_words_are_read_block_by_block():
    blocks = list(read_markdown(f"# A `b` [c](d)\n\n{WORDS}"))
    assert isinstance(blocks[0], Heading)
    assert (blocks[0].level, blocks[0].text) == (1, "A b c")
    assert [(one.kind, one.paragraphs) for one in blocks[1:]] == [
        ("text", ("Words with bold text and a second line.",)),
        ("items", ("one", "two & more")),
        ("text", ("a | b\n1 | 2",)),
    ]


def test_a_page_shows_them_as_their_author_set_them(document):
    page = document_to_html(document, stamp="now")
    assert '<h1 id="my-own-report">My <em>own</em> report</h1>' in page
    for part in (
        "<strong>bold</strong>", "<li><em>two</em> &amp; more</li>", "<td>2</td>", "<pre>printed 120\nmore lines</pre>",
        "<td>x &lt;y&gt;</td>", f'<img alt="{NO_SENTENCE}" src="data:image/png;base64,', "Shown by <em>code</em>.",
        '<img alt="A knee at 90 degrees." src="data:image/jpeg;base64,', "data:image/svg+xml;base64,",
        "<pre>ValueError: no</pre>", "<pre>[1, 2]</pre>", '<h3 id="sub">Sub</h3>',
    ):  # fmt: skip
        assert part in page, part
    assert "secret_code" not in page


def test_a_pdf_and_a_word_file_show_words_text_frames_and_pictures(document):
    pages = PdfReader(io.BytesIO(document_to_pdf(document, stamp="now"))).pages
    archive = zipfile.ZipFile(io.BytesIO(document_to_word(document, stamp="now")))
    body = archive.read("word/document.xml").decode("utf-8")
    in_pdf = " ".join(" ".join(page.extract_text() for page in pages).split())
    in_word = " ".join(re.sub(r"<[^>]+>", " ", body).replace("&lt;", "<").replace("&gt;", ">").split())
    for text in (in_pdf, in_word):
        said = text.replace("\u00a0", " ")
        for part in ("My own report", "Words with bold text", "two", "printed 120", "x <y>", "Sub", "[1, 2]"):
            assert part in said, part
    assert sum(len(page.images) for page in pages) == 2
    assert len([name for name in archive.namelist() if name.startswith("word/media/")]) == 2
    assert ">printed 120</w:t></w:r><w:r><w:br />" in body
    assert re.findall(r'<wp:docPr descr="([^"]*)"', body) == [NO_SENTENCE, "A knee at 90 degrees."]


def test_the_record_keeps_a_digest_of_what_each_output_says(document):
    kept = [(one.cell, one.position, one.kind, words) for one, words in read_digests(document).items()]
    frame = repr(pd.DataFrame({"name": ["x <y>"], "n": [7]})).strip()
    shown = ["printed 120\nmore lines", frame, "<Figure>", "<Photo>", "<Lines>", "Sub\n\nShown by code.", "[1, 2]"]
    assert kept == [("code", position, "output", text) for position, text in enumerate(shown)]


def test_a_drawing_of_matplotlib_is_shown_by_the_kernel(invented_folder, tmp_path):
    cells = [
        nbformat.v4.new_markdown_cell("# Own", id="title"),
        nbformat.v4.new_code_cell('folder: str = ""', id="parameters", metadata={"tags": ["parameters"]}),
        nbformat.v4.new_code_cell("import matplotlib.pyplot as plt\nplt.plot([0, 1]);", id="draw"),
    ]
    (tmp_path / "own.ipynb").write_text(nbformat.writes(nbformat.v4.new_notebook(cells=cells)), encoding="utf-8")
    files = make_report(str(tmp_path / "own.ipynb"), invented_folder, tmp_path / "report")
    assert "data:image/png;base64," in files.html.read_text(encoding="utf-8")
