"""The one document of a report, read from an executed notebook: every form is rendered from it, the record too."""

from __future__ import annotations

import base64
import html
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from analysis.errors import ReportError
from analysis.report.forms.markdown import Heading, OwnWords, read_markdown
from analysis.report.parts.figures import Figure
from analysis.report.parts.part import PART_TYPE, Part
from analysis.report.parts.passages import Passage, PassageKind
from analysis.report.parts.tables import Table
from analysis.report.parts.typesetting import without_colours

if TYPE_CHECKING:
    from nbformat import NotebookNode

_PARTS: dict[str, type[Part]] = {kind.part: kind for kind in (Passage, Table, Figure)}
#: Pictures that PDF and Word show too; drawings by lines are for pages only.
_ON_PAPER = ("image/png", "image/jpeg")
_PICTURES = ("image/svg+xml", *_ON_PAPER)
#: Said of a picture of a notebook of one's own; the metadata of its output may hold a better sentence.
NO_SENTENCE = "No description has been provided for this image"

#: Tag of the cells that a handout shows.
HANDOUT = "handout"

Block = Heading | Passage | Table | Figure


@dataclass(frozen=True)
class Shown:
    """What one output of a cell, or a cell of text, shows.

    Parameters
    ----------
    cell : str
        Identity of the cell.
    blocks : tuple
        Headings, passages, tables and figures, in order.
    is_output : bool
        Whether running the cell made it.
    handout : bool
        Whether the cell has the tag of those that a handout shows.
    """

    cell: str
    blocks: tuple[Block, ...]
    is_output: bool = True
    handout: bool = False


@dataclass(frozen=True)
class Document:
    """A report without its form.

    Parameters
    ----------
    shown : tuple of Shown
        What it shows, in order; the first block is its title.
    one_page : bool
        Whether it is set to fit one page of paper, as the metadata of its notebook say.

    Raises
    ------
    ReportError
        It does not begin with a title.
    """

    shown: tuple[Shown, ...]
    one_page: bool = False

    def __post_init__(self) -> None:
        first = next(self._every(), None)
        if not isinstance(first, Heading) or first.level != 1 or not first.text:
            raise ReportError(
                "The notebook has no title.",
                where="first heading of the notebook",
                what_to_do="Give the notebook one first-level heading, sections with the second level, and so on.",
            )

    @property
    def title(self) -> Heading:
        """The title of the report."""
        return next(block for block in self._every() if isinstance(block, Heading))

    @property
    def subtitle(self) -> tuple[str, ...]:
        """The lines under the title."""
        return self._lines("subtitle")

    @property
    def watermark(self) -> str:
        """What stands on every page and slide; empty for nothing."""
        return " ".join(self._lines("watermark"))

    @property
    def blocks(self) -> tuple[Block, ...]:
        """What follows title and subtitle, in order."""
        _, *rest = self._every()
        return tuple(one for one in rest if not (isinstance(one, Passage) and one.kind in ("subtitle", "watermark")))

    def _lines(self, kind: PassageKind) -> tuple[str, ...]:
        passages = (block for block in self._every() if isinstance(block, Passage) and block.kind == kind)
        return tuple(line for passage in passages for line in passage.paragraphs)

    def _every(self) -> Iterator[Block]:
        return (block for one in self.shown for block in one.blocks)


def read_document(notebook: NotebookNode) -> Document:
    """Read the document out of an executed notebook.

    Passages, tables and figures of the kit are of the classes that showed them; other outputs are what they show. Code
    and messages on the error stream are left out, and a heading whose cells of code showed nothing.

    Raises
    ------
    ReportError
        The notebook does not begin with a title.
    """
    shown: list[Shown] = []
    ran_in_vain = False
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            _leave_out_heading(shown, ran_in_vain=ran_in_vain)
            shown.append(Shown(str(cell.id), tuple(read_markdown(cell.source)), is_output=False, handout=_tagged(cell)))
            ran_in_vain = False
        outputs = [
            Shown(str(cell.id), blocks, handout=_tagged(cell))
            for one in cell.get("outputs", [])
            if (blocks := _read_output(one))
        ]
        ran_in_vain = not outputs and (ran_in_vain or cell.cell_type == "code")
        shown += outputs
    _leave_out_heading(shown, ran_in_vain=ran_in_vain)
    return Document(tuple(shown), one_page=bool(notebook.metadata.get("kneecurve", {}).get("one_page")))


def _tagged(cell: Any) -> bool:
    return HANDOUT in cell.metadata.get("tags", [])


def _leave_out_heading(shown: list[Shown], *, ran_in_vain: bool) -> None:
    """Take the last heading away where the cells of code under it showed nothing; never the title."""
    if ran_in_vain and len(shown) > 1 and not shown[-1].is_output:
        last = shown[-1]
        if last.blocks and isinstance(last.blocks[-1], Heading) and last.blocks[-1].level > 1:
            shown[-1] = replace(last, blocks=last.blocks[:-1])


def _read_output(output: Any) -> tuple[Block, ...]:
    data = output.get("data", {})
    if PART_TYPE in data:
        ((kind, described),) = data[PART_TYPE].items()
        return (_PARTS[kind].from_json(described),)  # type: ignore[return-value]
    if output.get("name") == "stderr":
        return ()
    if "traceback" in output:
        said = without_colours("\n".join(output["traceback"]))
        return (OwnWords((), "output", f"<pre>{html.escape(said)}</pre>"),)
    text = without_colours(str(data.get("text/plain", output.get("text", "")))).strip()
    page = str(data.get("text/html", ""))
    if "text/markdown" in data and not page:
        return tuple(read_markdown(str(data["text/markdown"])))
    kind = next((kind for kind in _PICTURES if kind in data), "")
    alt = str(output.get("metadata", {}).get(kind, {}).get("alt") or NO_SENTENCE)
    picture = base64.b64decode(data[kind]) if kind in _ON_PAPER else str(data.get(kind, "")).encode()
    if kind and not page:
        address = f"data:{kind};base64,{base64.b64encode(picture).decode('ascii')}"
        page = f'<img alt="{html.escape(alt)}" src="{address}">'
    if not text and not page:
        return ()
    page = page or f"<pre>{html.escape(text)}</pre>"
    return (OwnWords((text,) if text else (), "output", page, picture if kind in _ON_PAPER else b"", alt),)
