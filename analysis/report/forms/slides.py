"""A report as slides: eight or fewer, one message each as its title, the numbers in the notes."""

from __future__ import annotations

import re
import textwrap
from html import escape
from typing import TYPE_CHECKING

from analysis.report.forms.document import Grid, Picture, Words
from analysis.report.forms.pandoc import html_to_office
from analysis.report.forms.word import picture_address
from analysis.report.parts.typesetting import typeset
from analysis.report.parts.wording import made_in_words

if TYPE_CHECKING:
    from analysis.report.forms.document import Document

#: Title, answer and cautions leave room for this many figures on eight slides.
MOST_FIGURES = 5
_MOST_POINTS = 6
#: Letters of text that a slide holds; what does not fit stands in the notes alone.
_MOST_LETTERS = 950
#: Letters of a title that stay within two lines.
_LONGEST_TITLE = 92
_IN_THE_NOTES = "The rest is in the notes."
_MOST_ROWS_IN_NOTES = 60


def document_to_slides(document: Document, *, stamp: str, language: str = "en") -> bytes:
    """Write a document as a PowerPoint file.

    Parameters
    ----------
    document : Document
        The report; its figures that have a message become slides.
    stamp : str
        When it was made.
    language : str
        Language tag.

    Returns
    -------
    bytes
        The file.

    Raises
    ------
    ReportError
        Pandoc is not installed, or fails.
    """
    made = made_in_words(stamp)
    opening = (document.title,) if len(document.title) > _LONGEST_TITLE else ()
    slides = [
        _slide(document.title, "".join(f"<p>{typeset(line)}</p>" for line in (*opening, *document.subtitle)), made)
    ]
    answers = [one for one in document.blocks if isinstance(one, Words) and one.kind == "answer"]
    cautions = [one for one in document.blocks if isinstance(one, Words) and one.kind == "caution"]
    if answers:
        paragraphs = [paragraph for one in answers for paragraph in one.paragraphs]
        points = [sentence for paragraph in paragraphs for sentence in _sentences(paragraph)]
        slides.append(_slide("In short", _points(points), " ".join(paragraphs)))
    slides += [
        _slide(
            one.message,
            # Pandoc shows an alternative text under the picture and reads a title out: so the sentence is the title.
            f'<p><img src="{picture_address(one.png_for_slide)}" alt="" title="{escape(one.alt)}"></p>',
            f"{one.alt} {one.caption} {_rows(one.table)}".strip(),
        )
        for one in figures_for_slides(document)
    ]
    if cautions:
        said = [paragraph for one in cautions for paragraph in one.paragraphs]
        slides.append(_slide("Read with these cautions", _points(said), " ".join(said)))
    return html_to_office(f"<body>{''.join(slides)}</body>", "pptx", title=document.title, language=language)


def figures_for_slides(document: Document) -> list[Picture]:
    """Choose the figures that become slides: those with a message, the last of each title, in order, at most five.

    Parameters
    ----------
    document : Document
        The report.
    """
    by_title = {one.title: one for one in document.blocks if isinstance(one, Picture) and one.message}
    chosen = [one for one in document.blocks if any(one is kept for kept in by_title.values())]
    return [one for one in chosen if isinstance(one, Picture)][:MOST_FIGURES]


def _slide(title: str, body: str, notes: str) -> str:
    """Write a slide; a title that is too long for it is cut, and stands whole in the notes."""
    if len(title) > _LONGEST_TITLE:
        notes = f"{title} {notes}"
        title = textwrap.shorten(title, _LONGEST_TITLE, placeholder=" …")
    return f'<h1>{typeset(title)}</h1>{body}<div class="notes"><p>{escape(notes)}</p></div>'


def _points(sentences: list[str]) -> str:
    """Write a list of as many sentences as a slide holds."""
    ends = [sum(len(one) for one in sentences[: number + 1]) for number in range(len(sentences))]
    fitting = max(1, sum(end <= _MOST_LETTERS for end in ends[:_MOST_POINTS]))
    if fitting < len(sentences):
        sentences = [*sentences[: min(fitting, _MOST_POINTS - 1)], _IN_THE_NOTES]
    return f"<ul>{''.join(f'<li>{typeset(one)}</li>' for one in sentences)}</ul>"


def _sentences(text: str) -> list[str]:
    return re.split(r"(?<=[.!?]) (?=[A-Z])", text)


def _rows(grid: Grid) -> str:
    """Read a table out, row by row."""
    labels = [label for label, _, _ in grid.columns]
    said = []
    for position, row in enumerate(grid.rows[:_MOST_ROWS_IN_NOTES]):
        group = f"{grid.row_groups[position]}, " if grid.row_groups else ""
        cells = ", ".join(f"{label}: {cell}" for label, cell in zip(labels, row, strict=True))
        said.append(f"{group}{cells}.")
    return " ".join(said)
