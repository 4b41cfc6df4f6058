"""A whole report as its reader has it, its notes told once: what it says, and what of that stands on the page."""

import re

from analysis.report import Figure, Passage, Table
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.markdown import Heading
from analysis.report.forms.said_once import BESIDE, said_once

from .grammar import sentences

#: Letters from which on a sentence said twice is a fault; shorter ones are names and labels.
LONG = 40
#: Not of the page itself: what prepares it, and the files and versions that it was made from.
_NO_SECTION = re.compile(r"prepare_|[A-Z]|provenance$")


def page_of(report, study):
    """Make the document of a report, a module with its sections, from what was prepared."""
    sections = [one for one in report.__all__ if not _NO_SECTION.match(one)]
    shown = [Shown(one, tuple(getattr(report, one)(study))) for one in sections]
    return said_once(Document((Shown("title", (Heading(1, "Report", "Report"),)), *shown)))


def words_of(block):
    """Give what a block says on a page, folded or not, on a slide and in its notes: paragraphs, captions, cells."""
    if isinstance(block, Passage):
        return [*block.paragraphs, *block.points]
    if isinstance(block, Figure):
        return [block.message, block.caption, block.alt, *words_of(block.table)]
    if isinstance(block, Table):
        return [block.caption, *block.notes, *(cell for row in block.rows() for cell in row)]
    return []


def visible(block):
    """Give the sentences of a block that a reader of the page sees: cells, alternative texts and notes beside tables are none."""
    texts = []
    if isinstance(block, Passage):
        # each empty section says why, so those are not asked
        texts = list(block.paragraphs) if block.kind not in {"subtitle", "absent"} else []
    elif isinstance(block, Figure):
        texts = [block.caption, block.table.caption, *block.table.notes]
    elif isinstance(block, Table):
        texts = [block.caption, *block.notes]
    return [one.strip(" .") for text in texts if not text.startswith(BESIDE) for one in sentences(text)]


def forbidden_on(document, must_not, excused=None):
    """Give which of the words that a truth forbids stand on the page or on the slides, and where.

    ``excused`` has for some words the patterns of what holds them in every report, whatever the truth is.
    """
    said = [text for block in document.blocks for text in words_of(block)]
    found = {}
    for words in must_not:
        patterns = (excused or {}).get(words, ())
        there = [text for text in said if words in text and words in re.sub("|".join(patterns) or "(?!)", "", text)]
        if there:
            found[words] = there[:3]
    return found


def said_twice(document):
    """Give the long sentences that a reader of the page meets twice."""
    every = [one for block in document.blocks for one in visible(block) if len(one) >= LONG]
    return sorted({one for one in every if every.count(one) > 1})


def repeated_alternatives(document):
    """Give the long parts of alternative texts that a sentence of the page says too."""
    figures = [one for one in document.blocks if isinstance(one, Figure)]
    said = " ".join(text for block in document.blocks for text in visible(block))
    long = [one for figure in figures for one in re.split(r"(?<=[.;]) ", figure.alt) if len(one) >= LONG]
    return [one for one in long if one.strip(" .;") in said]
