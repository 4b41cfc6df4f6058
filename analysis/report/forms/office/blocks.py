"""Blocks of pandoc's own document format, from which it writes Word files and slides."""

from collections.abc import Callable, Sequence
from typing import Any

from analysis.report.forms.paper import USUAL_WIDTH, column_widths
from analysis.report.parts.table_page import Cell
from analysis.report.parts.tables import Table
from analysis.report.parts.typesetting import hold_together

Node = dict[str, Any]

_NOTHING: list[Any] = ["", [], []]
_SIDES = {"left": "AlignLeft", "right": "AlignRight", "over": "AlignCenter", "": "AlignDefault"}
_PICTURE_IN_CELL = "2.2cm"
#: What parts words: not the spaces that hold them together.
_SPACES = " \t\n\r\f\v"


def heading(level: int, text: str) -> Node:
    """Write a heading of a level from 1."""
    return {"t": "Header", "c": [level, _NOTHING, _words(text)]}


def paragraph(text: str) -> Node:
    """Write a paragraph."""
    return {"t": "Para", "c": _words(hold_together(text))}


def lines(text: str) -> Node:
    """Write text that a cell printed: its lines are kept, and the spaces that set words under one another."""
    found: list[Node] = []
    for line in text.splitlines():
        found += [{"t": "LineBreak"}] if found else []
        found += _words(line.replace("  ", "\u00a0\u00a0"))
    return {"t": "Para", "c": found}


def bullets(texts: Sequence[str]) -> Node:
    """Write a list."""
    return {"t": "BulletList", "c": [[_plain(text)] for text in texts]}


def styled(style: str, blocks: Sequence[Node]) -> Node:
    """Set blocks in a style of our own of the reference document."""
    return {"t": "Div", "c": [["", [], [["custom-style", style]]], list(blocks)]}


def notes(text: str) -> Node:
    """Write the notes of a slide."""
    return {"t": "Div", "c": [["", ["notes"], []], [{"t": "Para", "c": _words(text)}]]}


def page_break() -> Node:
    """End a page of a Word file."""
    return {"t": "RawBlock", "c": ["openxml", '<w:p><w:r><w:br w:type="page"/></w:r></w:p>']}


def image(path: str, *, alt: str = "", title: str = "", width: str = "") -> Node:
    """Write a picture that lies beside the document."""
    sizes = [["width", width]] if width else []
    return {"t": "Image", "c": [["", [], sizes], _words(alt), [path, title]]}


def figure(picture: Node, caption: str) -> Node:
    """Write a picture with its caption."""
    return {"t": "Figure", "c": [_NOTHING, [None, [_plain(caption)]], [{"t": "Plain", "c": [picture]}]]}


def table(
    shown: Table, caption: str, *, letters: float = USUAL_WIDTH, add: Callable[[bytes], str] | None = None
) -> Node:
    """Write a table, so many letters wide: headings that repeat on every page, over several columns too, and groups of rows.

    ``add`` keeps the picture of a cell and gives its place; without it the cell has the text that says the same.
    """
    weights, sides = column_widths(shown, letters), shown.sides()
    head = [_row([_cell(one.label, side) for one, side in zip(shown.columns, sides, strict=True)])]
    spans = shown.spans()
    if any(over for over, _ in spans):
        head.insert(0, _row([_cell(over, "over", len(under)) for over, under in spans]))
    body = []
    for group, row in shown.grouped_rows():
        if group is not None:
            body.append(_row([_cell(group, "", len(sides), strong=True)]))
        body.append(_row([_inside(cell, side, add) for cell, side in zip(row, sides, strict=True)]))
    columns = [[{"t": "AlignDefault"}, {"t": "ColWidth", "c": weight / sum(weights)}] for weight in weights]
    bodies = [[_NOTHING, 0, [], body]]
    return {"t": "Table", "c": [_NOTHING, [None, [_plain(caption)]], columns, [_NOTHING, head], bodies, [_NOTHING, []]]}


def _row(cells: list[Any]) -> list[Any]:
    return [_NOTHING, cells]


def _inside(cell: Cell, side: str, add: Callable[[bytes], str] | None) -> list[Any]:
    if isinstance(cell, str):
        return _cell(cell, side)
    if add is None:
        return _cell(cell.alt, side)
    picture = image(add(cell.picture), alt=cell.alt, width=_PICTURE_IN_CELL)
    return [_NOTHING, {"t": _SIDES[side]}, 1, 1, [{"t": "Plain", "c": [picture]}]]


def _cell(text: str, side: str, width: int = 1, *, strong: bool = False) -> list[Any]:
    words = _words(hold_together(text))
    words = [{"t": "Strong", "c": words}] if strong else words
    return [_NOTHING, {"t": _SIDES[side]}, 1, width, [{"t": "Plain", "c": words}] if words else []]


def _plain(text: str) -> Node:
    return {"t": "Plain", "c": _words(hold_together(text))}


def _words(text: str) -> list[Node]:
    found: list[Node] = []
    for word in text.translate(dict.fromkeys(map(ord, _SPACES), " ")).split(" "):
        if word:
            found += [{"t": "Space"}] if found else []
            found.append({"t": "Str", "c": word})
    return found
