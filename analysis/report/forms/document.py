"""An executed notebook as a plain document: headings, passages, tables and figures, which every form is made from."""

from __future__ import annotations

import base64
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from analysis.errors import ReportError
from analysis.report.parts.figures import FIGURE_TYPE
from analysis.report.parts.passages import PASSAGE_TYPE
from analysis.report.parts.tables import TABLE_TYPE

if TYPE_CHECKING:
    from nbformat import NotebookNode

#: A longer cell wraps, in characters.
_LONGEST_CELL = 34
#: What the space beside a cell takes, in characters.
_ROUND_A_CELL = 3.0
#: What a word of a heading is wider, in characters.
_BOLD = 1.5
#: Characters in a row of a table on paper at the usual size.
_USUAL_WIDTH = 100.0
#: Letters in a row of a table on paper, at the smallest size; a wider table of many columns is cut into parts.
_WIDEST, _FEWEST_TO_CUT = 143, 8
#: A taller picture would not leave room for its caption on a page, in widths of the text.
_TALLEST = 1.2


@dataclass(frozen=True)
class Heading:
    """A heading.

    Parameters
    ----------
    level : int
        1 for the title of the report.
    text : str
        Its text.
    """

    level: int
    text: str


@dataclass(frozen=True)
class Words:
    """Paragraphs, or the items of a list.

    Parameters
    ----------
    paragraphs : tuple of str
        Plain text.
    kind : str
        As of :class:`analysis.report.parts.passages.Passage`, or ``"output"`` for text that a cell printed.
    """

    paragraphs: tuple[str, ...]
    kind: str = "text"


@dataclass(frozen=True)
class Grid:
    """A table as it is shown.

    Parameters
    ----------
    caption : str
        What it shows.
    columns : tuple of (str, str, bool)
        Label, heading over several columns, and whether it is set to the right.
    rows : tuple of tuple of str
        Cells; the first of a row heads it.
    row_groups : tuple of str
        Heading of the group of each row; empty without groups.
    notes : tuple of str
        Below the table.
    """

    caption: str
    columns: tuple[tuple[str, str, bool], ...]
    rows: tuple[tuple[str, ...], ...]
    row_groups: tuple[str, ...]
    notes: tuple[str, ...]

    def grouped_rows(self) -> Iterator[tuple[str | None, tuple[str, ...]]]:
        """Give the rows of each group together, the first one with the heading of the group."""
        if not self.row_groups:
            yield from ((None, row) for row in self.rows)
        for group in dict.fromkeys(self.row_groups):
            rows = [row for row, name in zip(self.rows, self.row_groups, strict=True) if name == group]
            yield from ((group if position == 0 else None, row) for position, row in enumerate(rows))

    def weights(self) -> list[float]:
        """Share the width by the longest cell of each column; where it is short, text wraps before words are broken.

        Columns of numbers, and the longest word of every column, keep their width.
        """
        wanted = self._wanted()
        least = []
        for position, (label, _, numeric) in enumerate(self.columns):
            words = [float(len(word)) for row in self.rows for word in row[position].split()]
            words += [len(word) + _BOLD for word in label.split()]
            longest = max(words, default=1) + _ROUND_A_CELL
            least.append(max(longest, wanted[position]) if numeric else min(longest, wanted[position]))
        room, spare = _USUAL_WIDTH - sum(least), sum(wanted) - sum(least)
        if room >= spare:
            return wanted
        share = max(room, 0.0) / spare if spare else 0.0
        return [low + (high - low) * share for low, high in zip(least, wanted, strict=True)]

    def _wanted(self) -> list[float]:
        """Give the longest cell of each column, within bounds, in characters, with the space beside it."""
        wanted = []
        for position, (label, _, _) in enumerate(self.columns):
            words = max((len(word) for word in label.split()), default=1)
            longest = max([words, len(label) / 2, *(len(row[position]) for row in self.rows)])
            wanted.append(min(longest, _LONGEST_CELL) + _ROUND_A_CELL)
        return wanted

    def in_parts(self) -> list[Grid]:
        """Cut a table that is too wide for paper into parts side by side; each repeats the first column."""
        weights = self._wanted()
        if sum(weights) <= _WIDEST or len(weights) < _FEWEST_TO_CUT:
            return [self]
        count = -(-int(sum(weights[1:])) // int(_WIDEST - weights[0]))
        size = -(-(len(weights) - 1) // count)
        starts = range(1, len(weights), size)
        return [
            replace(
                self,
                caption=f"{self.caption} Part {number} of {len(starts)}.",
                columns=(self.columns[0], *self.columns[start : start + size]),
                rows=tuple((row[0], *row[start : start + size]) for row in self.rows),
            )
            for number, start in enumerate(starts, start=1)
        ]

    def spans(self) -> list[tuple[str, int]]:
        """Give the headings over columns with the number of columns; empty text where there is none."""
        found: list[tuple[str, int]] = []
        for _, over, _ in self.columns:
            if found and over and found[-1][0] == over:
                found[-1] = (over, found[-1][1] + 1)
            else:
                found.append((over, 1))
        return found


@dataclass(frozen=True)
class Picture:
    """A figure.

    Parameters
    ----------
    title, caption, alt : str
        Its words.
    message : str
        What it says in one short sentence, for the title of a slide; empty where it is not for slides.
    png : bytes
        The picture.
    table : Grid
        Its numbers.
    png_for_slide : bytes
        The picture for a slide; the same one where none was drawn for it.
    """

    title: str
    caption: str
    alt: str
    message: str
    png: bytes
    table: Grid
    png_for_slide: bytes

    def width_on_paper(self) -> float:
        """Return the share of the width of the text at which the picture fits on a page with its caption."""
        width, height = struct.unpack(">II", self.png[16:24]) if self.png[:4] == b"\x89PNG" else (1, 1)
        return min(1.0, _TALLEST * width / height)


Block = Heading | Words | Grid | Picture


@dataclass(frozen=True)
class Document:
    """A report without its form.

    Parameters
    ----------
    title : str
        Title of the report.
    subtitle : tuple of str
        Lines under the title.
    blocks : tuple
        The rest, in order.
    """

    title: str
    subtitle: tuple[str, ...]
    blocks: tuple[Block, ...]


def read_document(notebook: NotebookNode) -> Document:
    """Read the document out of an executed notebook.

    Parameters
    ----------
    notebook : NotebookNode
        An executed notebook.

    Returns
    -------
    Document
        Figures, tables and passages of the kit as they are; other outputs as the text they show.

    Raises
    ------
    ReportError
        The notebook does not begin with a title.
    """
    blocks: list[Block] = []
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            blocks += _markdown(cell.source)
        elif cell.cell_type == "code":
            blocks += [block for output in cell.outputs for block in _output(output)]
    if not blocks or not isinstance(blocks[0], Heading) or blocks[0].level != 1:
        raise ReportError(
            "The notebook has no title.",
            where="first heading of the notebook",
            what_to_do="Give the notebook one first-level heading, sections with the second level, and so on.",
        )
    title = blocks[0].text
    subtitle = [block for block in blocks if isinstance(block, Words) and block.kind == "subtitle"]
    rest = [block for block in blocks[1:] if block not in subtitle]
    return Document(title, tuple(line for block in subtitle for line in block.paragraphs), tuple(rest))


def _markdown(source: str) -> Iterator[Block]:
    for part in re.split(r"\n\s*\n", source.strip()):
        heading = re.fullmatch(r"(#{1,6})\s+(.*)", part.strip())
        if heading:
            yield Heading(len(heading[1]), _plain(heading[2]))
        elif part.strip():
            yield Words((_plain(part),))


def _plain(markdown: str) -> str:
    text = re.sub(r"!?\[([^\]]*)\]\([^)]*\)", r"\1", markdown)
    return " ".join(re.sub(r"[*_`]{1,3}(\S.*?\S|\S)[*_`]{1,3}", r"\1", text).split())


def _output(output: Any) -> Iterator[Block]:
    data = output.get("data", {})
    if PASSAGE_TYPE in data:
        yield Words(tuple(data[PASSAGE_TYPE]["paragraphs"]), data[PASSAGE_TYPE]["kind"])
    elif TABLE_TYPE in data:
        yield _grid(data[TABLE_TYPE])
    elif FIGURE_TYPE in data:
        one = data[FIGURE_TYPE]
        yield Picture(
            one["title"],
            one["caption"],
            one["alt"],
            one.get("message", ""),
            base64.b64decode(data["image/png"]),
            _grid(one["table"]),
            base64.b64decode(one.get("png_for_slide", data["image/png"])),
        )
    elif output.get("name") != "stderr":
        text = str(data.get("text/plain", output.get("text", ""))).strip()
        if text:
            yield Words((text,), "output")


def _grid(described: Any) -> Grid:
    return Grid(
        described["caption"],
        tuple((one["label"], one["group"], one["numeric"]) for one in described["columns"]),
        tuple(tuple(str(cell) for cell in row) for row in described["rows"]),
        tuple(described["row_groups"]),
        tuple(described["notes"]),
    )
