"""What an executed notebook shows, item by item, so that two runs can be told apart and the difference named."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analysis.report.parts.figures import FIGURE_TYPE
from analysis.report.parts.passages import PASSAGE_TYPE
from analysis.report.parts.tables import TABLE_TYPE

if TYPE_CHECKING:
    from nbformat import NotebookNode

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


@dataclass(frozen=True)
class Item:
    """One item that a report shows, whole.

    Parameters
    ----------
    digest : Digest
        What the record keeps of it.
    shown : object
        Its words and numbers, in plain lists and dictionaries.
    """

    digest: Digest
    shown: Any


def read_contents(notebook: NotebookNode) -> tuple[Item, ...]:
    """List what an executed notebook shows.

    Parameters
    ----------
    notebook : NotebookNode
        An executed notebook.

    Returns
    -------
    tuple of Item
        In order; the table of versions and the sentence with the command to repeat are left out.
    """
    items = []
    for cell in notebook.cells:
        position = 0
        for output in cell.get("outputs", []):
            found = _item(output)
            if found is None:
                continue
            kind, name, shown, picture = found
            digest = hashlib.sha256(json.dumps(shown, sort_keys=True, ensure_ascii=False).encode()).hexdigest()
            items.append(Item(Digest(str(cell.id), position, kind, name[:_LONGEST_NAME], digest, picture), shown))
            position += 1
    return tuple(items)


def first_difference(then: Any, now: Any) -> str:
    """Say where two items part, in a few words.

    Parameters
    ----------
    then, now : object
        Plain lists and dictionaries.

    Returns
    -------
    str
        Empty where they are equal.

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


def _item(output: Any) -> tuple[str, str, Any, str] | None:
    data = output.get("data", {})
    if TABLE_TYPE in data:
        table = data[TABLE_TYPE]
        return None if table["name"] == VERSIONS_TABLE else ("table", table["caption"], table, "")
    if FIGURE_TYPE in data:
        figure = {name: value for name, value in data[FIGURE_TYPE].items() if name != "png_for_slide"}
        picture = hashlib.sha256(str(data.get("image/png", "")).strip().encode()).hexdigest()
        return "figure", figure["title"], figure, picture
    if PASSAGE_TYPE in data:
        passage = data[PASSAGE_TYPE]
        kept = [text for text in passage["paragraphs"] if not text.startswith(REPEAT_OPENING)]
        return "sentences", kept[0] if kept else "", {**passage, "paragraphs": kept}, ""
    if output.get("name") == "stderr" or output.get("output_type") == "error":
        return None
    text = str(data.get("text/plain", output.get("text", ""))).strip()
    return ("output", text, text, "") if text else None
