"""A draft of a paper as one Word file: what was found, the figures and tables that were chosen, how it was analysed, cautions."""

import struct
from collections.abc import Iterator, Sequence

from analysis.report.exporting.printed_page import (
    COLUMN_CM,
    COLUMN_LETTERS,
    TEXT_CM,
    TEXT_LETTERS,
    in_columns,
    printed,
    stands_in_a_column,
    width_of,
)
from analysis.report.forms.document import Document
from analysis.report.forms.markdown import Heading
from analysis.report.forms.numbering import Numbered
from analysis.report.forms.office.blocks import Node, figure, heading, image, paragraph, styled, table
from analysis.report.forms.office.pandoc import Pictures, write_office
from analysis.report.forms.paper import in_parts, width_on_paper
from analysis.report.parts.figures import Figure
from analysis.report.parts.passages import Passage

PAPER = "paper.docx"
#: Headings of the report whose sentences are taken, and what they are called in a paper; the chosen items stand after the first.
_SECTIONS = {"In short": "What was found", "Methods in words": "How it was analysed", "Cautions": "Cautions"}
_NUMBERS = "Figures and tables have the numbers of the report."


def paper_of(document: Document, items: Sequence[Numbered]) -> bytes:
    """Write the sentences of a report and the figures and tables chosen, in the order in which they were named.

    Text stands in two columns, and what is narrow enough among it; what is not stands over both. What the report lists runs on
    as text. Figures and tables keep their numbers in the report. Sentences are those of the report, with what it warns of.

    Raises
    ------
    ReportError
        Pandoc is not installed, or fails.
    """
    pictures, said = Pictures(), _sentences(document)
    subtitle = " ".join(line if line.endswith(".") else f"{line}." for line in document.subtitle)
    top = [styled("Title", [paragraph(document.title.text)]), styled("Subtitle", [paragraph(subtitle)])]
    parts: list[tuple[int, list[Node]]] = [(1, top)]
    for place, (found, called) in enumerate(_SECTIONS.items()):
        if found in said:
            parts.append((2, [heading(1, called), *said[found]]))
        if place == 0:
            parts += [part for one in items for part in _item(one, pictures)]
    parts.append((1, [styled("Notes", [paragraph(_NUMBERS)])]))
    return printed(write_office(in_columns(parts), pictures, "docx", title=document.title.text))


def _sentences(document: Document) -> dict[str, list[Node]]:
    """Give the sentences under each heading that a paper takes."""
    said: dict[str, list[Node]] = {}
    under = ""
    for block in document.blocks:
        if isinstance(block, Heading):
            under = block.text
        elif isinstance(block, Passage) and under in _SECTIONS:
            running = [" ".join(block.paragraphs)] if block.kind == "items" else block.paragraphs
            said.setdefault(under, []).extend(paragraph(one) for one in running)
    return said


def _item(one: Numbered, pictures: Pictures) -> Iterator[tuple[int, list[Node]]]:
    """Give a figure or the parts of a table, each with the number of columns among which it stands."""
    block = one.block
    if isinstance(block, Figure):
        across, down = struct.unpack(">II", block.png("narrow")[16:24])
        narrow = stands_in_a_column((across, down))
        picture = block.png("narrow" if narrow else "print")
        width = width_of((COLUMN_CM if narrow else TEXT_CM) * width_on_paper(picture))
        shown = image(pictures.add(picture), alt=block.alt, width=width)
        yield 2 if narrow else 1, [figure(shown, f"{one.caption} {block.caption}")]
        return
    cut = [block] if stands_in_a_column(block) else in_parts(block)
    for place, part in enumerate(cut):
        narrow = stands_in_a_column(part)
        nodes = [table(part, f"{one.name} {part.caption}", letters=COLUMN_LETTERS if narrow else TEXT_LETTERS)]
        if block.notes and place == len(cut) - 1:
            nodes.append(styled("Notes", [paragraph(" ".join(block.notes))]))
        yield 2 if narrow else 1, nodes
