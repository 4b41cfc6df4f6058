"""Pages: what may be in them, headings, and the parts a notebook's outputs become."""

import nbformat
import pytest

from analysis.errors import ReportError
from analysis.report.forms.document import read_document
from analysis.report.forms.html import document_to_html, refuse_what_does_not_stand_alone
from analysis.report.parts.passages import Passage


def notebook(*markdown, outputs=()):
    cells = [nbformat.v4.new_markdown_cell(text, id=f"m{i}") for i, text in enumerate(markdown)]
    if outputs:
        cells.append(nbformat.v4.new_code_cell("secret_code()", id="code", outputs=list(outputs)))
    return nbformat.v4.new_notebook(cells=cells)


def notebook_to_html(made, stamp):
    return document_to_html(read_document(made), stamp=stamp)


def shown(html):
    return nbformat.v4.new_output("display_data", data={"text/html": html, "text/plain": ""})


def test_code_is_not_shown_and_outputs_are():
    page = notebook_to_html(notebook("# Title", outputs=[shown("<p>Result</p>")]), stamp="now")
    assert "<p>Result</p>" in page
    assert "secret_code" not in page


def test_messages_on_the_error_stream_stay_in_the_notebook():
    outputs = [nbformat.v4.new_output("stream", name=name, text=f"on {name}") for name in ("stderr", "stdout")]
    page = notebook_to_html(notebook("# Title", outputs=outputs), stamp="now")
    assert "on stdout" in page
    assert "on stderr" not in page


def test_title_and_contents_come_from_the_headings():
    page = notebook_to_html(notebook("# Title", "## A", "## B\n\n### C", "## B", "## D"), stamp="now")
    assert "<title>Title</title>" in page
    assert '<h2 id="b">' in page
    assert '<a href="#b-2">B</a>' in page
    assert page.index('id="a"') < page.index("<nav") < page.index('id="b"')


def test_the_subtitle_joins_the_title():
    data = Passage(("Pain <b>",), "subtitle")._repr_mimebundle_()
    page = notebook_to_html(
        notebook("# Title", outputs=[nbformat.v4.new_output("display_data", data=data)]), stamp="now"
    )
    assert "<title>Title: Pain &lt;b&gt;</title>" in page


def test_the_answer_leads_to_the_section_that_it_names_also_where_that_is_folded():
    data = Passage(("And 2 more, under B & <b>. The patients under B were seen.",), "answer")._repr_mimebundle_()
    answer = nbformat.v4.new_output("display_data", data=data)
    made = notebook("# Title", outputs=[answer])
    made.cells += notebook("## Appendix", "### B & <b>").cells
    page = notebook_to_html(made, stamp="now")
    assert 'under <a href="#b-b">B &amp; &lt;b&gt;</a>. The patients under B were seen.' in page
    assert '<summary><h3 id="b-b">' in page


@pytest.mark.parametrize(
    "html",
    [
        "<script>1</script>",
        '<img alt="a" src="https://example.org/x.png">',
        '<a href="https://example.org">out</a>',
        '<img alt="a" src="data:image/png;base64,AA" onerror="x()">',
        '<link rel="stylesheet" href="x.css">',
        "<style>@import 'x.css';</style>",
        '<p style="background: url(x.png)">x</p>',
        '<iframe src="x"></iframe>',
        '<a href="javascript:x()">x</a>',
    ],
)
def test_what_runs_or_loads_is_refused(html):
    with pytest.raises(ReportError, match="The page would not stand alone"):
        refuse_what_does_not_stand_alone(f"<main>{html}</main>")


def test_a_notebook_without_title_is_refused():
    with pytest.raises(ReportError, match="The notebook has no title"):
        notebook_to_html(notebook("## Section"), stamp="now")


def test_a_heading_that_jumps_is_refused():
    with pytest.raises(ReportError, match="The heading 'Deep' does not follow from the one before"):
        notebook_to_html(notebook("# Title", "### Deep"), stamp="now")
