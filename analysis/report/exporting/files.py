"""The files of an export: their names, the texts to paste beside them, and the tables as one Word file."""

import re
from collections.abc import Collection, Sequence

from analysis.foreign_text import visible
from analysis.report.exporting.asked import TableForm
from analysis.report.exporting.paper import PAPER
from analysis.report.forms.csv_tables import file_stem
from analysis.report.forms.numbering import Numbered
from analysis.report.forms.office.blocks import Node, page_break, paragraph, styled, table
from analysis.report.forms.office.pandoc import Pictures, write_office
from analysis.report.forms.paper import in_parts
from analysis.report.parts.drawing_files import DrawingOrder
from analysis.report.parts.figures import Figure

CAPTIONS, TABLES = "captions.txt", "tables.docx"
#: Every name that an export gives.
NAMES = re.compile(rf"(figure|table)_\d{{2,}}_[\w.-]+\.(svg|pdf|tiff|png|csv)|{CAPTIONS}|{TABLES}|{PAPER}")
#: A figure beyond this height (mm) leaves no room for its legend on most pages of journals (design choice).
TALLEST_MM = 230.0


def files_of(
    items: Sequence[Numbered], title: str, order: DrawingOrder | None, tables: Collection[TableForm]
) -> dict[str, bytes]:
    """Make the files of figures and tables, by their names; :data:`CAPTIONS` tells of all, and comes first."""
    files: dict[str, bytes] = {}
    described = [_opening(title, order)]
    for one in items:
        stem = f"{one.kind}_{one.number:02d}_{file_stem(one.block.name) or one.kind}"
        own: dict[str, bytes] = {}
        if isinstance(one.block, Figure) and one.block.made:
            own |= {f"{stem}.{form}": file for form, file in one.block.made.files.items()}
        if "csv" in tables:
            own[f"{stem}.csv"] = one.numbers.to_csv().encode()
        files |= own
        named = [*own, *([TABLES] if one.kind == "table" and "docx" in tables else [])]
        described.append(_described(one, named))
    if "docx" in tables and any(one.kind == "table" for one in items):
        files[TABLES] = _tables(items, title)
    return {CAPTIONS: ("\n".join(described)).encode(), **files}


def remarks(items: Sequence[Numbered], order: DrawingOrder | None) -> tuple[str, ...]:
    """Say what a person must look at: figures with words cut off at that width, and those taller than a page."""
    if order is None:
        return ()
    figures = [(f"figure-{one.number}", one.block.made) for one in items if isinstance(one.block, Figure)]
    cut = [name for name, made in figures if made and made.cut]
    tall = [name for name, made in figures if made and made.height_mm > TALLEST_MM]
    said = []
    if cut:
        said.append(f"At {order.width_mm:g} mm words are cut off in {', '.join(cut)}: choose a greater width for them.")
    if tall:
        said.append(
            f"At {order.width_mm:g} mm higher than {TALLEST_MM:g} mm, more than most pages hold: {', '.join(tall)}. Their "
            f"panels stand beside each other in a wider figure: --only {','.join(tall)} --width 178mm."
        )
    return tuple(said)


def _opening(title: str, order: DrawingOrder | None) -> str:
    lines = [
        f"Captions and alternative texts of: {visible(title)}",
        "Figures and tables have the numbers of the report.",
    ]
    if order:
        lines.append(
            f"Figures are {order.width_mm:g} mm wide, with letters of 7 points and more, TIFF and PNG with {order.dpi} dots an "
            "inch. Marks and lines of single patients are dots in SVG and PDF too."
        )
    return "\n".join([*lines, ""])


def _described(one: Numbered, files: Sequence[str]) -> str:
    block = one.block
    lines = [one.caption]
    if isinstance(block, Figure):
        lines += [f"Legend: {block.caption}", f"Alternative text: {block.alt}"]
        lines += [f"Height: {block.made.height_mm:.0f} mm"] if block.made else []
    else:
        lines += [f"Note: {note}" for note in block.notes]
    return "\n".join([*map(visible, lines), f"Files: {', '.join(files)}", ""])


def _tables(items: Sequence[Numbered], title: str) -> bytes:
    """Write the tables as a Word file: a page each, the title above, the notes below, lines across only."""
    blocks: list[Node] = [styled("Title", [paragraph("Tables")]), styled("Subtitle", [paragraph(title)])]
    for place, one in enumerate(one for one in items if one.kind == "table"):
        blocks += [page_break()] if place else []
        blocks += [table(part, f"{one.name} {part.caption}") for part in in_parts(one.numbers)]
        notes = [paragraph(note) for note in one.numbers.notes]
        blocks += [styled("Notes", notes)] if notes else []
    return write_office(blocks, Pictures(), "docx", title=title)
