"""A report as slides: twelve or so, one message each as its title, the numbers in the notes."""

import re
import textwrap

from analysis.report.forms.document import Document
from analysis.report.forms.office.blocks import Node, bullets, heading, image, notes, paragraph, table
from analysis.report.forms.office.pandoc import Pictures, write_office
from analysis.report.forms.office.reference_styles import LONGEST_TEXT, LONGEST_TITLE
from analysis.report.forms.office.watermarks import marked_slides
from analysis.report.parts.figures import Figure
from analysis.report.parts.passages import Passage, PassageKind
from analysis.report.parts.tables import Table
from analysis.report.parts.typesetting import hold_together
from analysis.report.parts.wording import made_in_words

#: Beside title, answer, tables and cautions: five figures of the primary outcome and of harms, one of all outcomes, two of
#: groups.
MOST_FIGURES = 8
_MOST_POINTS = 7
#: Letters in a row of a table on a slide.
LETTERS_ON_A_SLIDE = 90.0
#: Points of In short that stay where not all have room: what to doubt, and harms.
_LAST_POINTS = 2
_IN_THE_NOTES = "The rest is in the notes."
_MOST_ROWS_IN_NOTES = 60


def document_to_slides(document: Document, *, stamp: str, template: bytes | None = None) -> bytes:
    """Write a document as a PowerPoint file, perhaps by a template; figures and tables that have a message become slides.

    Raises
    ------
    ReportError
        Pandoc is not installed, or fails.
    """
    made = made_in_words(stamp)
    title, pictures = document.title.text, Pictures()
    short = textwrap.shorten(title, LONGEST_TITLE, placeholder=" …")  # whole below, where it is cut
    opening = (title,) if short != title else ()
    slides = _slide(short, [paragraph(line) for line in (*opening, *document.subtitle)], made)
    figures = {id(one) for one in _figures(document)}
    for one in document.blocks:
        match one:
            case Passage(kind="answer") if one is _first(document, "answer"):
                slides += _words(document, "answer", "In short")
            case Table() if one.message:
                slides += _of_table(one, pictures)
            case Figure() if id(one) in figures:
                # Pandoc shows an alternative text under the picture and reads a title out: so the sentence is the title.
                picture = image(pictures.add(one.png("slide")), title=one.alt)
                said = f"{one.alt} {one.caption} {_rows(one.table)}".strip()
                slides += _told(one.message, one.title, {"t": "Para", "c": [picture]}, said)
    slides += _words(document, "caution", "Read with these cautions")
    made_of = write_office(slides, pictures, "pptx", title=title, template=template)
    return marked_slides(made_of, document.watermark) if document.watermark else made_of


def _told(message: str, title: str, body: Node, said: str) -> list[Node]:
    """Write a slide under its message. One that the smallest letters do not hold stands in the notes, as no finding is cut."""
    fits = len(message) <= LONGEST_TITLE
    return _slide(message if fits else title, [body], said if fits else f"{message}. {said}")


def _of_table(one: Table, pictures: Pictures) -> list[Node]:
    """Write a slide of a table: of its picture where it has one, which the notes read out, or of its cells."""
    said = " ".join([one.caption, *one.notes])
    if one.slide:
        read = _rows(one)
        picture = image(pictures.add(one.slide), title=f"{one.caption} {read}")
        return _told(one.message, one.caption, {"t": "Para", "c": [picture]}, f"{read} {said}")
    return _told(one.message, one.caption, table(one, "", letters=LETTERS_ON_A_SLIDE), said)


def _first(document: Document, kind: PassageKind) -> Passage | None:
    return next((one for one in document.blocks if isinstance(one, Passage) and one.kind == kind), None)


def _words(document: Document, kind: PassageKind, title: str) -> list[Node]:
    """Write a slide of the passages of a kind: their points, or where they have none their sentences; all in the notes."""
    passages = [one for one in document.blocks if isinstance(one, Passage) and one.kind == kind]
    if not passages:
        return []
    paragraphs = [paragraph for one in passages for paragraph in one.paragraphs]
    points = [point for one in passages for point in one.points]
    stay = _LAST_POINTS if points else 0
    if not points:
        points = [sentence for text in paragraphs for sentence in (_sentences(text) if kind == "answer" else [text])]
    return _slide(title, [_points(points, stay)], " ".join(paragraphs))


def _figures(document: Document) -> list[Figure]:
    """Choose the figures that become slides: those with a message, the last of each title, in order, the first of them."""
    figures = [one for one in document.blocks if isinstance(one, Figure) and one.message]
    last = {one.title: one for one in figures}
    return [one for one in figures if one is last[one.title]][:MOST_FIGURES]


def _slide(title: str, body: list[Node], said: str) -> list[Node]:
    return [heading(1, hold_together(title)), *body, notes(said)]


def _points(sentences: list[str], stay: int) -> Node:
    """Write a list of as many sentences as a slide holds; the last ones named stay."""
    told, last = sentences[: len(sentences) - stay], sentences[len(sentences) - stay :]
    whole = len(sentences) <= _MOST_POINTS and sum(map(len, sentences)) <= LONGEST_TEXT
    if not whole:
        last = [*last, _IN_THE_NOTES]
        while len(told) > 1 and (len(told) + len(last) > _MOST_POINTS or sum(map(len, [*told, *last])) > LONGEST_TEXT):
            told.pop()
    return bullets([*told, *last])


def _sentences(text: str) -> list[str]:
    return re.split(r"(?<=[.!?]) (?=[A-Z])", text)


def _rows(table: Table) -> str:
    """Read a table out, row by row."""
    labels, groups = [column.label for column in table.columns], table.groups()
    said = []
    for position, row in enumerate(table.rows()[:_MOST_ROWS_IN_NOTES]):
        group = f"{groups[position]}, " if groups else ""
        cells = ", ".join(f"{label}: {cell}" for label, cell in zip(labels, row, strict=True))
        said.append(f"{group}{cells}.")
    return " ".join(said)
