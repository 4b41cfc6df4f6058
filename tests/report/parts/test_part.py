"""A part of a report is read back from its notebook as the class that showed it, and shows the same."""

import json

import nbformat
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import ReportError
from analysis.report import Column, Figure, Passage, Table
from analysis.report.forms.document import read_document
from analysis.report.parts.look import new_drawing
from analysis.report.parts.part import PART_TYPE


def read_back(part):
    """Show a part in a notebook, write the notebook, and read the part out of it."""
    bundle = part._repr_mimebundle_()
    data, metadata = bundle if isinstance(bundle, tuple) else (bundle, {})
    output = nbformat.v4.new_output("display_data", data=dict(data), metadata=metadata)
    cells = [nbformat.v4.new_markdown_cell("# Title"), nbformat.v4.new_code_cell("x", outputs=[output])]
    written = nbformat.writes(nbformat.v4.new_notebook(cells=cells))
    return read_document(nbformat.reads(written, as_version=4)).shown[-1].blocks[0]


def table():
    data = pd.DataFrame(
        {
            "name": ["b", None, "c"], "n": [1234, 2, 3], "share": [0.25, None, 0.5], "lower": [0.1, None, 0.2],
            "upper": [0.4, None, 0.7], "group": ["one", "two", "one"],
        }
    )  # fmt: skip
    columns = (
        Column("name", "Name"), Column("n", "Number", "count", group="Counts"),
        Column(("share", "lower", "upper"), "Share", "share with interval", group="Counts"),
    )  # fmt: skip
    return Table(data, "A caption with n = 3.", columns, ("A note.",), "short", rows_grouped_by="group")


def figure(*, for_slide=True):
    def draw(width):
        drawing = new_drawing(width, 1.5)
        drawing.add_subplot().plot([0, 1])
        return drawing

    low = (lambda: new_drawing("wide", 1.0)) if for_slide else None
    lower = (lambda: new_drawing("wide", 0.8)) if for_slide else None
    return Figure("curves", "Curves", "Caption.", "The curve rises from 0 to 1.", table(), draw, "It rises", low, lower)


PLACES = ("wide", "narrow", "slide", "print")
PARTS = {
    "passage": lambda: Passage(("One <b>.", "Two."), "caution"),
    "table": table,
    "empty table": lambda: Table(table().data.head(0), "Nobody.", table().columns),
    "figure": figure,
    "figure without one for slides": lambda: figure(for_slide=False),
}


@pytest.mark.parametrize("name", PARTS)
def test_a_part_comes_back_as_its_class_and_shows_the_same(name):
    part = PARTS[name]()
    again = read_back(part)
    assert type(again) is type(part)
    assert again.to_json() == part.to_json()
    assert again.to_html() == part.to_html()
    assert str(again) == str(part)
    assert again.words() == part.words()


def test_pictures_come_back_and_are_no_words():
    part = figure()
    again = read_back(part)
    assert [again.png(place) for place in PLACES] == [part.png(place) for place in PLACES]
    assert len({part.png(place) for place in PLACES}) == 4
    assert "pictures" not in json.dumps(part.words())
    plain = read_back(figure(for_slide=False))
    assert plain.png("slide") == plain.png("print") == plain.png()


def test_a_figure_that_was_read_cannot_be_drawn_and_says_so():
    with pytest.raises(ReportError) as caught:
        read_back(figure()).drawing()
    assert str(caught.value) == (
        "The figure 'Curves' was read from a notebook: it has its pictures and numbers only.\n"
        "  what to do: Run the cell of the notebook that makes the figure, and draw that one."
    )


@settings(max_examples=40)
@given(st.lists(st.lists(st.text(max_size=8), min_size=2, max_size=2), max_size=4))
def test_cells_of_any_text_come_back(rows):
    part = Table(pd.DataFrame(rows, columns=["a", "b"], dtype=object), "Any.")
    again = Table.from_json(json.loads(json.dumps(part.to_json())))
    assert again.rows() == rows
    assert again.to_json() == part.to_json()


def test_the_bundle_has_text_page_and_one_type_of_our_own():
    for part in PARTS.values():
        bundle = part()._repr_mimebundle_()
        data = bundle[0] if isinstance(bundle, tuple) else bundle
        assert [kind for kind in data if "kneecurve" in kind] == [PART_TYPE]
        assert {"text/plain", "text/html"} <= set(data)
