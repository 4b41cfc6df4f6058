"""A table as HTML: headings over several columns, groups of rows, small pictures in cells; all text escaped."""

import base64
import html
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from analysis.report.parts.typesetting import typeset


@dataclass(frozen=True)
class InCell:
    """A small picture in a cell (PNG), and the text that says the same."""

    picture: bytes
    alt: str


Cell = str | InCell


def head(spans: Sequence[tuple[str, Sequence[str]]], sides: Sequence[str]) -> str:
    """Write the headings of the columns, and over them those of several columns where there are any.

    ``spans`` are headings over columns, empty for none, with the headings under each.
    """
    over = any(heading for heading, _ in spans)
    each = iter(sides)
    upper, lower = [], []
    for heading, labels in spans:
        rows = ' rowspan="2"' if over and not heading else ""
        heads = [f'<th scope="col"{rows} class="{next(each)}">{typeset(one)}</th>' for one in labels]
        if heading:
            upper.append(
                f'<th scope="colgroup" colspan="{len(labels)}" class="over"><span>{typeset(heading)}</span></th>'
            )
            lower += heads
        else:
            upper += heads
    return f"<tr>{''.join(upper)}</tr>" + (f"\n<tr>{''.join(lower)}</tr>" if over else "")


def body(rows: Iterable[tuple[str | None, Sequence[Cell]]], sides: Sequence[str]) -> Iterator[str]:
    """Write the rows, the first of each group under the heading of the group."""
    for group, (name, *cells) in rows:
        if group is not None:
            yield f'\n<tr><th scope="colgroup" colspan="{len(sides)}" class="group">{typeset(group)}</th></tr>'
        first = f'<th scope="row" dir="auto" class="left">{_inside(name)}</th>'
        rest = zip(sides[1:], cells, strict=True)
        yield "".join(["\n<tr>", first, *(f'<td class="{side}">{_inside(cell)}</td>' for side, cell in rest), "</tr>"])


def _inside(cell: Cell) -> str:
    if isinstance(cell, str):
        return typeset(cell)
    alt = html.escape(cell.alt, quote=True)
    return f'<img class="in-cell" alt="{alt}" src="data:image/png;base64,{in_text(cell.picture)}">'


def in_text(png: bytes) -> str:
    """Write a picture as text."""
    return base64.b64encode(png).decode("ascii")
