"""A note stands once in a report: what was said before is left out under later tables and in later lists."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.report.forms.document import Document, Shown
from analysis.report.parts.figures import Figure
from analysis.report.parts.passages import Passage
from analysis.report.parts.tables import Table

if TYPE_CHECKING:
    from analysis.report.forms.document import Block

#: What stands beside every table all the same: the method of its intervals, what they are adjusted for, abbreviations.
BESIDE = ("Intervals", "In brackets", "SD:", "Differences:", "Adjusted for")
#: Letters from which on a note is a sentence of its own that can be found within a caption.
_SENTENCE = 30


def said_once(document: Document) -> Document:
    """Leave out notes of tables, and sentences of lists and captions, that stand before in a passage, a caption or a note.

    What is folded under a figure counts as said for other folded tables only, and what a list of the same cell says is not
    folded there. Files of numbers keep all their notes.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.report.forms.markdown import Heading
    >>> once = Table(pd.DataFrame({"n": [1]}), "Counted.", notes=("Patients who came are counted.", "Intervals: Wilson."))
    >>> made = said_once(Document((Shown("a", (Heading(1, "Title", "Title"), once, once)),)))
    >>> [block.notes for block in made.blocks]
    [('Patients who came are counted.', 'Intervals: Wilson.'), ('Intervals: Wilson.',)]
    """
    told, folded = set[str](), set[str]()
    lists: dict[str, set[str]] = {}
    for one in document.shown:
        items = (block.paragraphs for block in one.blocks if isinstance(block, Passage) and block.kind == "items")
        lists.setdefault(one.cell, set()).update(text for paragraphs in items for text in paragraphs)
    shown = tuple(replace(one, blocks=tuple(_once(one, told, folded, lists[one.cell]))) for one in document.shown)
    return replace(document, shown=shown)


def _new(text: str, told: set[str]) -> str:
    """Give a text without the long sentences that were told; what it says is told from then on."""
    kept = [one for one in _sentences(text) if len(one) <= _SENTENCE or one.startswith(BESIDE) or one not in told]
    told.update(_sentences(text))
    return " ".join(kept)


def _sentences(text: str) -> list[str]:
    return re.split(r"(?<=[.!?]) (?=[A-Z])", text)


def _once(shown: Shown, told: set[str], folded: set[str], lists: set[str]) -> list[Block]:
    """Give the blocks of an output without what was told; what they say is told from then on."""
    blocks: list[Block] = []
    for block in shown.blocks:
        if type(block) is Passage and block.kind == "items":
            new = (_new(one, told) for one in block.paragraphs if not _said(one, told))
            kept = tuple(one for one in new if one)
            told.update(kept)
            blocks += [replace(block, paragraphs=kept)] if kept else []
        elif isinstance(block, Table):
            kept = _kept(block, told)
            told.update((block.caption, *kept))
            blocks.append(replace(block, notes=kept))
        elif isinstance(block, Figure):
            caption = _new(block.caption, told)
            told.add(block.caption)
            kept = _kept(block.table, told | folded | lists)
            folded.update(kept)
            blocks.append(replace(block, caption=caption, table=replace(block.table, notes=kept)))
        else:
            told.update(block.paragraphs if isinstance(block, Passage) else ())
            blocks.append(block)
    return blocks


def _kept(table: Table, told: set[str]) -> tuple[str, ...]:
    return tuple(note for note in table.notes if note.startswith(BESIDE) or not _said(note, told))


def _said(note: str, told: set[str]) -> bool:
    return any(note == text or (len(note) > _SENTENCE and note in text) for text in told)
