"""A report as a Word file: real headings, real tables, pictures with alternative text, styles of our own."""

from __future__ import annotations

import base64
from html import escape
from typing import TYPE_CHECKING

from analysis.report.forms.document import Grid, Heading, Picture, Words
from analysis.report.forms.pandoc import html_to_office
from analysis.report.parts.typesetting import typeset
from analysis.report.parts.wording import made_in_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.report.forms.document import Document

_TEXT_CM = 16.4
_STYLES = {"answer": "Answer", "caution": "Caution", "absent": "Absent", "output": "Notes"}


def document_to_word(document: Document, *, stamp: str, language: str = "en") -> bytes:
    """Write a document as a Word file.

    Parameters
    ----------
    document : Document
        The report.
    stamp : str
        When it was made; shown at the end.
    language : str
        Language tag.

    Returns
    -------
    bytes
        The file; the numbers of the figures stand in tables at the end.

    Raises
    ------
    ReportError
        Pandoc is not installed, or fails.
    """
    page = "\n".join(_parts(document, stamp))
    return html_to_office(f"<body>{page}</body>", "docx", title=document.title, language=language)


def table_in_html(grid: Grid, caption: str) -> str:
    """Write a table with the few elements that pandoc reads.

    Parameters
    ----------
    grid : Grid
        The table.
    caption : str
        Its caption.
    """
    spans = grid.spans()
    over = ""
    if any(text for text, _ in spans):
        over = "".join(
            f'<th colspan="{width}" style="text-align: center">{typeset(text)}</th>' for text, width in spans
        )
        over = f"<tr>{over}</tr>"
    sides = ["left", *("right" if numeric else "left" for _, _, numeric in grid.columns[1:])]
    head = "".join(
        f'<th style="text-align: {side}">{typeset(label)}</th>'
        for (label, _, _), side in zip(grid.columns, sides, strict=True)
    )
    rows = []
    for group, row in grid.grouped_rows():
        if group is not None:
            rows.append(f'<tr><td colspan="{len(sides)}"><strong>{typeset(group)}</strong></td></tr>')
        cells = "".join(
            f'<td style="text-align: {side}">{typeset(cell)}</td>' for cell, side in zip(row, sides, strict=True)
        )
        rows.append(f"<tr>{cells}</tr>")
    whole = sum(grid.weights())
    widths = "".join(f'<col style="width: {100 * weight / whole:.2f}%">' for weight in grid.weights())
    return (
        f"<table><caption>{typeset(caption)}</caption><colgroup>{widths}</colgroup><thead>{over}<tr>{head}</tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table>"
    )


def picture_address(png: bytes) -> str:
    """Return a picture as an address that holds the picture itself.

    Parameters
    ----------
    png : bytes
        The picture.
    """
    return f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}"


def _parts(document: Document, stamp: str) -> Iterator[str]:
    yield f'<div data-custom-style="Title"><p>{escape(document.title)}</p></div>'
    for line in document.subtitle:
        yield f'<div data-custom-style="Subtitle"><p>{escape(line)}</p></div>'
    tables, pictures = 0, []
    for block in document.blocks:
        match block:
            case Heading(level, text):
                shown = max(level - 1, 1)
                yield f"<h{shown}>{escape(text)}</h{shown}>"
            case Words(paragraphs, "items"):
                yield f"<ul>{''.join(f'<li>{typeset(one)}</li>' for one in paragraphs)}</ul>"
            case Words(paragraphs, kind):
                text = "".join(f"<p>{typeset(one)}</p>" for one in paragraphs)
                yield f'<div data-custom-style="{_STYLES[kind]}">{text}</div>' if kind in _STYLES else text
            case Grid():
                for part in block.in_parts():
                    tables += 1
                    yield table_in_html(part, f"Table {tables}. {part.caption}")
                    yield _notes(part)
            case Picture():
                pictures.append(block)
                caption = f"Figure {len(pictures)}. {block.title}. {block.caption}"
                image = f'<img src="{picture_address(block.png)}" alt="{escape(block.alt)}" width="{_TEXT_CM * block.width_on_paper():.1f}cm">'
                yield f"<figure>{image}<figcaption>{typeset(caption)}</figcaption></figure>"
    if pictures:
        yield "<h1>The numbers in the figures</h1>"
    for number, picture in enumerate(pictures, start=1):
        for part in picture.table.in_parts():
            yield table_in_html(part, f"Figure {number}. {part.caption}")
            yield _notes(part)
    yield f'<div data-custom-style="Notes"><p>{escape(made_in_words(stamp))}</p></div>'


def _notes(grid: Grid) -> str:
    text = "".join(f"<p>{typeset(note)}</p>" for note in grid.notes)
    return f'<div data-custom-style="Notes">{text}</div>' if text else ""
