"""A handout: of a report what its notebook names, on four pages or fewer, as PDF."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.errors import ReportError
from analysis.report.forms.document import HANDOUT, Block, Document
from analysis.report.forms.numbering import numbered
from analysis.report.forms.pdf import block_source, colophon, opening_of, set_source, typst_package, where_typst_looks
from analysis.report.parts.figures import Figure
from analysis.report.parts.tables import Table
from analysis.report.parts.wording import made_in_words
from analysis.writing.owners import temporary_folder

if TYPE_CHECKING:
    from pathlib import Path

    from nbformat import NotebookNode

MOST_PAGES = 4
#: Width of figures, as a part of that of the text; the smaller one where it saves a page.
_SCALE, _SMALLER = 0.62, 0.54


def document_to_handout(document: Document, *, stamp: str) -> bytes:
    """Set what a handout shows of a document as PDF: the cells tagged so, and of their figures those that are worth a slide.

    Figures that do not fit are left out, the last ones first, and said to be.

    Raises
    ------
    ReportError
        No cell is tagged, or the words alone need more than four pages; Typst is not installed, or refuses the document.
    """
    kept = _kept(document)
    if not kept:
        raise _no_handout(document.title.text)
    figures = [place for place, one in kept.items() if isinstance(one, Figure)]
    with temporary_folder() as folder:
        for fewer in range(len(figures) + 1):
            left_out = set(figures[len(figures) - fewer :])
            source, smaller = (
                _source(document, kept, left_out, folder, stamp=stamp, scale=one) for one in (_SCALE, _SMALLER)
            )
            pages, fewer_pages = _pages(source, folder), _pages(smaller, folder)
            if fewer_pages <= MOST_PAGES:
                return set_source(smaller if fewer_pages < pages else source, folder)
    raise ReportError(
        f"The handout needs more than {MOST_PAGES} pages, even without a figure.",
        what_to_do="Follow fewer indicators, or take the tag from some cells of the notebook.",
    )


def refuse_without_handout(notebook: NotebookNode, report: str) -> None:
    """Refuse a notebook without a cell for a handout.

    Raises
    ------
    ReportError
        No cell has the tag.
    """
    if not any(HANDOUT in cell.metadata.get("tags", []) for cell in notebook.cells):
        raise _no_handout(report)


def _no_handout(report: str) -> ReportError:
    return ReportError(
        f"The report {report!r} has no handout.",
        where=f"no cell of its notebook has the tag {HANDOUT!r}",
        what_to_do="Give the cells that a handout shows that tag, or choose another form.",
    )


def _kept(document: Document) -> dict[int, Block]:
    """Give what a handout shows, by its place in the document, from 1."""
    tagged = {id(block) for one in document.shown if one.handout for block in one.blocks}
    return {
        place: block
        for place, block in enumerate(document.blocks, start=1)
        if id(block) in tagged and not (isinstance(block, Figure) and not block.message)
    }


def _source(
    document: Document, kept: dict[int, Block], left_out: set[int], folder: Path, *, stamp: str, scale: float
) -> str:
    numbers = iter(numbered(document))
    parts = [*opening_of(document), "#show: handout"]
    for place, block in enumerate(document.blocks, start=1):
        number = next(numbers).number if isinstance(block, Table | Figure) else 0
        if place in kept and place not in left_out:
            parts.append(block_source(block, folder, place, number, scale=scale))
    more = [f"{len(left_out)} more figures stand in the whole report."] if len(left_out) > 1 else []
    more = ["One more figure stands in the whole report."] if len(left_out) == 1 else more
    parts += [colophon(made_in_words(stamp), *more), "#counted-pages"]
    return "\n".join(parts) + "\n"


def _pages(source: str, folder: Path) -> int:
    typst: Any = typst_package()
    (folder / "report.typ").write_text(source, encoding="utf-8")
    return int(typst.query(str(folder / "report.typ"), "<pages>", field="value", one=True, **where_typst_looks(folder)))
