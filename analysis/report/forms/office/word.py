"""A report as a Word file: real headings, real tables, pictures with alternative text, styles of our own."""

from collections.abc import Iterator

from analysis.report.forms.document import Document
from analysis.report.forms.markdown import Heading, OwnWords
from analysis.report.forms.numbering import numbered
from analysis.report.forms.office.blocks import Node, bullets, figure, heading, image, lines, paragraph, styled, table
from analysis.report.forms.office.pandoc import Pictures, write_office
from analysis.report.forms.office.watermarks import marked_word
from analysis.report.forms.paper import in_parts, width_on_paper
from analysis.report.parts.figures import Figure
from analysis.report.parts.passages import Passage
from analysis.report.parts.tables import Table
from analysis.report.parts.wording import made_in_words

_TEXT_CM = 16.4
_STYLES = {"answer": "Answer", "caution": "Caution", "absent": "Absent", "output": "Notes"}


def document_to_word(document: Document, *, stamp: str, template: bytes | None = None) -> bytes:
    """Write a document as a Word file, perhaps by a template; the numbers of the figures stand in tables at the end.

    Raises
    ------
    ReportError
        Pandoc is not installed, or fails.
    """
    pictures = Pictures()
    blocks = list(_parts(document, stamp, pictures))
    made = write_office(blocks, pictures, "docx", title=document.title.text, template=template)
    return marked_word(made, document.watermark) if document.watermark else made


def _parts(document: Document, stamp: str, pictures: Pictures) -> Iterator[Node]:
    yield styled("Title", [paragraph(document.title.text)])
    for line in document.subtitle:
        yield styled("Subtitle", [paragraph(line)])
    numbers, figures = iter(numbered(document)), []
    for block in document.blocks:
        match block:
            case Heading(level, text):
                yield heading(max(level - 1, 1), text)
            case OwnWords(picture=picture, alt=alt) if picture:
                yield {"t": "Para", "c": [_picture(picture, alt, pictures)]}
            case Passage(paragraphs, "items"):
                yield bullets(paragraphs)
            case Passage(paragraphs, kind):
                made = [lines(one) if kind == "output" else paragraph(one) for one in paragraphs]
                yield from [styled(_STYLES[kind], made)] if kind in _STYLES else made
            case Table():
                called = next(numbers).name
                for part in in_parts(block):
                    yield from _table(part, f"{called} {part.caption}", pictures)
            case Figure():
                figures.append(next(numbers))
                caption = f"{figures[-1].caption} {block.caption}"
                yield figure(_picture(block.png(), block.alt, pictures), caption)
    if figures:
        yield heading(1, "The numbers in the figures")
    for one in figures:
        for part in in_parts(one.numbers):
            yield from _table(part, f"{one.name} {part.caption}", pictures)
    yield styled("Notes", [paragraph(made_in_words(stamp))])


def _table(part: Table, caption: str, pictures: Pictures) -> Iterator[Node]:
    yield table(part, caption, add=pictures.add)
    if part.notes:
        yield styled("Notes", [paragraph(note) for note in part.notes])


def _picture(picture: bytes, alt: str, pictures: Pictures) -> Node:
    return image(pictures.add(picture), alt=alt, width=f"{_TEXT_CM * width_on_paper(picture):.1f}cm")
