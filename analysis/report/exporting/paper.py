"""A draft of a paper as one Word file: what was found, the figures and tables that were chosen, how it was analysed, cautions."""

from collections.abc import Iterator, Sequence

from analysis.report.forms.blocks import Node, figure, heading, image, paragraph, styled, table
from analysis.report.forms.document import Document
from analysis.report.forms.markdown import Heading
from analysis.report.forms.numbering import Numbered
from analysis.report.forms.pandoc import Pictures, write_office
from analysis.report.forms.paper import in_parts, width_on_paper
from analysis.report.forms.reference_styles import in_small_print
from analysis.report.parts.figures import Figure
from analysis.report.parts.passages import Passage

PAPER = "paper.docx"
#: Headings of the report whose sentences are taken, and what they are called in a paper; the chosen items stand after the first.
_SECTIONS = {"In short": "What was found", "Methods in words": "How it was analysed", "Cautions": "Cautions"}
#: Widest picture, so that two or three stand on a page with their legends; the files for the journal lie beside (design choice).
_PICTURE_CM = 8.0


def paper_of(document: Document, items: Sequence[Numbered]) -> bytes:
    """Write the sentences of a report and the figures and tables chosen, in the order in which they were named.

    What the report lists runs on as text. Figures and tables keep their numbers in the report. Sentences are those of the
    report, with what it warns of.

    Raises
    ------
    ReportError
        Pandoc is not installed, or fails.
    """
    pictures, said = Pictures(), _sentences(document)
    blocks: list[Node] = [styled("Title", [paragraph(document.title.text)])]
    blocks += [styled("Subtitle", [paragraph(line)]) for line in document.subtitle]
    for place, (found, called) in enumerate(_SECTIONS.items()):
        if found in said:
            blocks += [heading(1, called), *said[found]]
        if place == 0:
            blocks += [node for one in items for node in _item(one, pictures)]
    return in_small_print(write_office(blocks, pictures, "docx", title=document.title.text))


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


def _item(one: Numbered, pictures: Pictures) -> Iterator[Node]:
    block = one.block
    if isinstance(block, Figure):
        picture = block.png()
        shown = image(pictures.add(picture), alt=block.alt, width=f"{_PICTURE_CM * width_on_paper(picture):.1f}cm")
        yield figure(shown, f"{one.caption} {block.caption}")
        return
    for part in in_parts(block):
        yield table(part, f"{one.name} {part.caption}")
    if block.notes:
        yield styled("Notes", [paragraph(note) for note in block.notes])
