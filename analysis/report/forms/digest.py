"""What the record keeps of a report, item by item, so that two runs can be told apart and the difference named."""

import base64
import hashlib
import json
from dataclasses import dataclass
from typing import Any

from analysis.report.forms.document import Block, Document
from analysis.report.forms.markdown import Heading, OwnWords
from analysis.report.parts.figures import Figure
from analysis.report.parts.passages import Passage
from analysis.report.parts.tables import Table

#: The table of package versions: compared package by package, not as a table of the report.
VERSIONS_TABLE = "versions"
#: Begins the sentence that names the cohort folder, which may stand elsewhere when a report is repeated.
REPEAT_OPENING = "To repeat this report: "
_LONGEST_NAME = 80


@dataclass(frozen=True)
class Digest:
    """One item that a report shows, as its record keeps it.

    Parameters
    ----------
    cell : str
        Identity of the cell that shows it.
    position : int
        Position among the items of the cell, from 0.
    kind : str
        table, figure, sentences or output.
    name : str
        Caption of a table, title of a figure, beginning of a text.
    sha256 : str
        Of the words and numbers as shown.
    picture : str
        SHA-256 of the picture of a figure; empty for others.
    """

    cell: str
    position: int
    kind: str
    name: str
    sha256: str
    picture: str = ""


def read_digests(document: Document) -> dict[Digest, Any]:
    """Digest what the cells of a report show: words and numbers in plain lists and dictionaries, by digest, in order.

    The table of versions and the sentence with the command to repeat are left out, and what only pages show.
    """
    found: dict[Digest, Any] = {}
    positions: dict[str, int] = {}
    for output in document.shown:
        kind, name, words, picture = _item(output.blocks) if output.is_output else ("", "", "", "")
        if not kind:
            continue
        position = positions.get(output.cell, -1) + 1
        positions[output.cell] = position
        sha256 = hashlib.sha256(json.dumps(words, sort_keys=True, ensure_ascii=False).encode()).hexdigest()
        found[Digest(output.cell, position, kind, name[:_LONGEST_NAME], sha256, picture)] = words
    return found


def first_difference(then: Any, now: Any) -> str:
    """Say where two items, of plain lists and dictionaries, part, in a few words; empty where they are equal.

    Examples
    --------
    >>> first_difference({"rows": [["usual", "1.5"]]}, {"rows": [["usual", "1.6"]]})
    "rows > 1 > 2: '1.5' then, '1.6' now"
    """
    place, was, is_now = _part(then, now, ())
    if was == is_now:
        return ""
    return f"{' > '.join(place)}: {_short(was)} then, {_short(is_now)} now".removeprefix(": ")


def _part(then: Any, now: Any, place: tuple[str, ...]) -> tuple[tuple[str, ...], Any, Any]:
    """Go down to the first part that differs; entries of lists are counted from 1."""
    pairs: list[tuple[str, Any, Any]] = []
    if isinstance(then, dict) and isinstance(now, dict) and set(then) == set(now):
        pairs = [(str(key), then[key], now[key]) for key in then]
    elif isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        pairs = [(str(number), *both) for number, both in enumerate(zip(then, now, strict=True), start=1)]
    for name, was, is_now in pairs:
        if was != is_now:
            return _part(was, is_now, (*place, name))
    return place, then, now


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= _LONGEST_NAME else f"{text[: _LONGEST_NAME - 1]}…"


def _item(blocks: tuple[Block, ...]) -> tuple[str, str, Any, str]:
    """Give kind, name, words and digest of the picture of an output; an empty kind where none is kept of it."""
    match blocks:
        case (Table(name=name, caption=caption) as table,):
            return "" if name == VERSIONS_TABLE else "table", caption, table.words(), ""
        case (Figure() as figure,):
            picture = hashlib.sha256(base64.b64encode(figure.png())).hexdigest()
            return "figure", figure.title, figure.words(), picture
        case (Passage() as passage,) if not isinstance(passage, OwnWords):
            kept = [text for text in passage.paragraphs if not text.startswith(REPEAT_OPENING)]
            return "sentences", "".join(kept[:1]), {**passage.words(), "paragraphs": kept}, ""
    text = "\n\n".join(block.text if isinstance(block, Heading) else str(block) for block in blocks)
    return "output" if text else "", text, text, ""
