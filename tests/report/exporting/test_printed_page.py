"""A paper is set in two columns: what is narrow stands in one, letters can be read, tables fit, notes stay with them."""

import io
import re
import struct
import zipfile

import pandas as pd
import pytest

from analysis.report import Column, Figure, Passage, Table
from analysis.report.exporting.paper import paper_of
from analysis.report.exporting.printed_page import COLUMN_CM, TEXT_CM, stands_in_a_column
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.markdown import Heading
from analysis.report.forms.numbering import numbered
from analysis.report.parts.look import PRINT_INCHES, inches_of, new_drawing

#: Letters of less than 7.5 points are for no page (half points, as Word counts).
SMALLEST = 15
TWIPS_PER_CM, EMU_PER_CM = 567, 360_000
CAUTIONS = ("Nobody drew lots.", "This report recommends nothing for a patient.")


def table(columns, rows=3, caption="Counts."):
    data = pd.DataFrame({f"c{place}": ["1 of 20 (5 %)"] * rows for place in range(columns)})
    shown = tuple(Column(name, f"Heading {name}") for name in data)
    return Table(data, caption, shown, ("A note.", "Another note."), f"t{columns}")


def figure(narrow_height, name):
    def draw(width):
        drawing = new_drawing(width, narrow_height if width == "narrow" else 2.0)
        drawing.add_subplot().plot([0, 1])
        return drawing

    low = (lambda: new_drawing("wide", 1.0)) if narrow_height > 3 else None
    return Figure(name, f"Title {name}", "Legend.", "It rises.", table(2), draw, draw_for_print=low)


@pytest.fixture(scope="module")
def parts():
    shown = [
        Heading(1, "A comparison"), Heading(2, "In short"), Passage(("Pain was lower.", "By 2 points."), "items"), table(8), table(2),
        figure(2.0, "low"), figure(9.0, "high"), Heading(2, "Cautions"), Passage(CAUTIONS),
    ]  # fmt: skip
    document = Document((Shown("cell", tuple(shown), is_output=True),))
    with zipfile.ZipFile(io.BytesIO(paper_of(document, numbered(document)))) as word:
        return {name: word.read(name).decode() for name in word.namelist() if name.endswith(".xml")}


def sections(parts):
    """Texts of the parts of the page, with the number of columns of each."""
    found = re.findall(r"(.*?)<w:sectPr>(.*?)</w:sectPr>", parts["word/document.xml"], flags=re.DOTALL)
    return [(int(re.search(r'w:num="(\d)"', how)[1]), what) for what, how in found]


def test_text_and_what_is_narrow_stand_in_columns_and_the_rest_over_both(parts):
    found = [(columns, re.sub(r"<[^>]+>", " ", text).replace("\u00a0", " ")) for columns, text in sections(parts)]
    assert [columns for columns, _ in found] == [1, 2, 1, 2, 1, 2, 1]
    begins = [
        "A comparison",
        "What was found",
        "Table 1.",
        "Table 2.",
        "Figure 2.",
        "Cautions",
        "Figures and tables have",
    ]
    assert all(begin in text for begin, (_, text) in zip(begins, found, strict=True))
    assert "Figure 1." in found[3][1]
    assert 'w:val="continuous"' in parts["word/document.xml"].rpartition("<w:sectPr>")[2]


def test_no_sentence_is_lost(parts):
    text = re.sub(r"<[^>]+>", " ", parts["word/document.xml"]).replace("\u00a0", " ")
    for sentence in (*CAUTIONS, "Pain was lower. By 2 points.", "A note. Another note."):
        assert sentence in text


def test_letters_can_be_read_and_lines_do_not_touch(parts):
    sizes = [int(size) for size in re.findall(r'<w:sz w:val="(\d+)"', parts["word/styles.xml"])]
    assert min(sizes) == SMALLEST
    exact = [int(line) for line in re.findall(r'w:line="(\d+)" w:lineRule="exact"', parts["word/styles.xml"])]
    assert min(exact) >= 1.2 * 10 * SMALLEST  # twips: ten to the half point


def test_tables_and_pictures_have_the_width_of_their_columns(parts):
    for columns, text in sections(parts):
        width = TEXT_CM if columns == 1 else COLUMN_CM
        for grid in re.findall(r"<w:tblGrid>.*?</w:tblGrid>", text):
            twips = sum(int(one) for one in re.findall(r'w:w="(\d+)"', grid))
            assert twips == pytest.approx(width * TWIPS_PER_CM, abs=10)
        for across in re.findall(r'<wp:extent cx="(\d+)"', text):
            assert int(across) == pytest.approx(width * EMU_PER_CM, rel=0.002)


def test_rows_stay_together_and_notes_under_their_table(parts):
    rows = re.findall(r"<w:tr>.*?</w:tr>", parts["word/document.xml"], flags=re.DOTALL)
    assert len(rows) == 8
    assert all("<w:keepNext" in row for row in rows)


@pytest.mark.parametrize(("down", "expected"), [(60, True), (80, True), (81, False)])
def test_a_picture_stands_in_a_column_where_it_is_no_higher_than_four_fifths_of_its_width(down, expected):
    assert stands_in_a_column((100, down)) is expected


def test_pictures_for_print_are_drawn_at_the_width_of_the_page_so_that_letters_keep_their_size():
    assert pytest.approx(TEXT_CM / 2.54, abs=0.02) == PRINT_INCHES
    widths = []

    def draw():
        widths.append(inches_of("wide"))
        return new_drawing("wide", 1.0)

    one = Figure("f", "F", "C.", "A.", table(2), lambda width: new_drawing(width, 2.0), draw_for_print=draw)
    across, _ = struct.unpack(">II", one.png("print")[16:24])
    assert widths == [PRINT_INCHES]
    assert across == pytest.approx(PRINT_INCHES * 170, abs=1)
