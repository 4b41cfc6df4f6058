"""A printed page of two columns in a Word file: what stands in one of them, what over both, and what ends a part."""

import re
from collections.abc import Iterable
from functools import partial
from itertools import groupby

from analysis.report.forms.office.blocks import Node
from analysis.report.forms.office.reference_styles import change_parts
from analysis.report.forms.paper import fits
from analysis.report.parts.tables import Table

#: Of an A4 page, in twips (20 to the point): its size, the margins (above and below, at the sides), between the columns.
_PAGE, _ABOVE, _BESIDE, _BETWEEN = (11906, 16838), 610, 850, 340
_TWIPS_PER_CM = 567.0
TEXT_CM = (_PAGE[0] - 2 * _BESIDE) / _TWIPS_PER_CM
COLUMN_CM = (_PAGE[0] - 2 * _BESIDE - _BETWEEN) / 2 / _TWIPS_PER_CM
#: Letters of the smallest print in a row of a table over both columns, and in one column.
TEXT_LETTERS, COLUMN_LETTERS = 134.0, 64.0
#: A picture drawn for a phone that is higher than this part of its width stands over both columns (design choice).
_TALLEST_IN_A_COLUMN = 0.8
#: A table of more rows may break at the end of a column or a page (design choice).
_MOST_ROWS_TOGETHER = 45
#: Margins in the cells of a table.
_CELLS = "".join(
    f'<w:{side} w:w="{twips}" w:type="dxa"/>'
    for side, twips in (("top", 5), ("left", 45), ("bottom", 5), ("right", 45))
)
_CELLS = f"<w:tblCellMar>{_CELLS}</w:tblCellMar>"
#: Pandoc makes no picture wider than the page of a report, so that those of a paper are named smaller first.
_NAMED_SMALLER = 0.8
_NOTES = '<w:pStyle w:val="Notes"'
#: Smallest letters in half points, and how much smaller than in a report of its own all others are.
_SMALLEST, _SMALLER = 15, 0.72
#: Space around paragraphs, in parts of that of a report.
_NEARER = 0.3
#: Distance of lines in twips by style, as programs and fonts set lines of the same letters at other distances.
_LINES = {"BodyText": 186, "Compact": 182, "TableCaption": 182, "ImageCaption": 182, "Notes": 182}


def stands_in_a_column(block: Table | tuple[int, int]) -> bool:
    """Say whether a table, or a picture drawn for a phone of so many dots across and down, stands in one column."""
    if isinstance(block, Table):
        return fits(block, COLUMN_LETTERS)
    across, down = block
    return down <= _TALLEST_IN_A_COLUMN * across


def width_of(cm: float) -> str:
    """Name the width of a picture, which :func:`printed` makes so many centimetres."""
    return f"{cm * _NAMED_SMALLER:.3f}cm"


def in_columns(parts: Iterable[tuple[int, list[Node]]]) -> list[Node]:
    """Set blocks one part after the other, each in so many columns; neighbours of as many share them."""
    blocks: list[Node] = []
    for columns, together in groupby(parts, key=lambda part: part[0]):
        blocks += [node for _, nodes in together for node in nodes]
        blocks.append(_end(columns))
    return blocks[:-1]


def printed(file: bytes) -> bytes:
    """Set a Word file as a printed page: letters of 7.5 points and more, and narrow margins.

    Tables are as wide as their column, and their rows stay together; pictures get the width that :func:`width_of` meant.
    """
    return change_parts(file, _part)


def _end(columns: int) -> Node:
    """End a part; what follows goes on below it on the same page."""
    small = '<w:spacing w:before="0" w:after="0" w:line="40" w:lineRule="exact"/>'
    return {"t": "RawBlock", "c": ["openxml", f"<w:p><w:pPr>{small}{_section(columns)}</w:pPr></w:p>"]}


def _section(columns: int) -> str:
    across, down = _PAGE
    return (
        f'<w:sectPr><w:type w:val="continuous"/><w:pgSz w:w="{across}" w:h="{down}"/><w:pgMar w:top="{_ABOVE}" '
        f'w:right="{_BESIDE}" w:bottom="{_ABOVE}" w:left="{_BESIDE}" w:header="400" w:footer="400" w:gutter="0"/>'
        f'<w:cols w:num="{columns}" w:space="{_BETWEEN}"/></w:sectPr>'
    )


def _part(name: str, text: str) -> str:
    if name == "word/styles.xml":
        text = re.sub(
            r'(<w:sz(?:Cs)? w:val=")(\d+)"',
            lambda at: f'{at[1]}{max(_SMALLEST, round(int(at[2]) * _SMALLER))}"',
            text,
        )
        text = re.sub(r'(w:(?:before|after)=")(\d+)"', lambda at: f'{at[1]}{round(int(at[2]) * _NEARER)}"', text)
        text = re.sub(r'w:line="2[4-9]\d"', 'w:line="240"', text)
        for style, line in _LINES.items():
            text = re.sub(
                rf'(<w:style [^>]*w:styleId="{style}".*?</w:style>)', partial(_with_lines, line), text, flags=re.DOTALL
            )
        text = re.sub(r"<w:tblCellMar>.*?</w:tblCellMar>", _CELLS, text, flags=re.DOTALL)
        return re.sub(r'(<w:top w:val="single" w:sz="12" w:space=)"6"', r'\g<1>"3"', text)
    if name == "word/document.xml":
        text = text.replace("<wp:inline>", '<wp:inline distT="0" distB="0" distL="0" distR="0">')
        text = re.sub(r'\b(cx|cy)="(\d+)"', lambda at: f'{at[1]}="{round(int(at[2]) / _NAMED_SMALLER)}"', text)
        text = re.sub(r"<w:sectPr(?:(?!</w:sectPr>).)*</w:sectPr>(?=\s*</w:body>)", _section(1), text, flags=re.DOTALL)
        return re.sub(r".*?</w:sectPr>", lambda at: _with_fitting_tables(at[0]), text, flags=re.DOTALL)
    return text


def _with_lines(line: int, at: re.Match[str]) -> str:
    """Set the lines of a style so many twips apart."""
    without = re.sub(r' w:line(?:Rule)?="[^"]*"', "", at[1])
    if 'w:styleId="Compact"' in without:
        without = re.sub(r'(w:(?:before|after)=")\d+"', r'\g<1>0"', without)  # cells have margins
    return without.replace("<w:spacing ", f'<w:spacing w:line="{line}" w:lineRule="exact" ', 1)


def _with_fitting_tables(section: str) -> str:
    """Make the tables of a part as wide as its columns."""
    columns = int((re.findall(r'<w:cols w:num="(\d)"', section) or ["1"])[-1])
    wide = (COLUMN_CM if columns > 1 else TEXT_CM) * _TWIPS_PER_CM
    found = rf"(<w:tbl>.*?</w:tbl>)(\s*<w:p>\s*<w:pPr>\s*{_NOTES})?"
    return re.sub(
        found, lambda at: f"{_fitting(at[1], wide, noted=bool(at[2]))}{at[2] or ''}", section, flags=re.DOTALL
    )


def _fitting(table: str, wide: float, *, noted: bool) -> str:
    """Make a table so many twips wide, and let its rows stay together, with the notes under it where it has any."""
    widths = [int(found) for found in re.findall(r'<w:gridCol w:w="(\d+)"', table)]
    scale = wide / (sum(widths) or wide)
    table = re.sub(r'<w:gridCol w:w="(\d+)"', lambda at: f'<w:gridCol w:w="{round(int(at[1]) * scale)}"', table)
    *rows, end = re.split(r"(?<=</w:tr>)", table)
    if len(rows) > _MOST_ROWS_TOGETHER:
        return table
    bound = len(rows) if noted else len(rows) - 1
    kept = [re.sub(r"(<w:pPr>(?:<w:pStyle [^>]*/>)?)", r"\1<w:keepNext/>", row) for row in rows[:bound]]
    return "".join([*kept, *rows[bound:], end])
