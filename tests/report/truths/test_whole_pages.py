"""Slow: whole reports of planted truths; what a truth forbids stands nowhere on page or slides, and no sentence twice."""

import re
import warnings

import pytest

from analysis.report import Figure, Passage, Table, comparison
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.markdown import Heading
from analysis.report.forms.said_once import BESIDE, said_once

from .grammar import sentences
from .planted import plant
from .test_what_is_said import TRUTHS

pytestmark = pytest.mark.slow
#: Words of a truth that speak of In short alone: elsewhere they are a heading, or say how a number came about.
OF_IN_SHORT = {"econdary", "not seen", "missing", "beyond", "not found at", "assumptions about missing visits"}
#: Letters from which on a sentence said twice is a fault; shorter ones are names and labels.
LONG = 40


@pytest.fixture(scope="module", params=TRUTHS)
def page(request, study_in_memory):
    """Give the document of a whole comparison, its notes told once as in every form, beside what must not be said."""
    cohort, options, _, must_not, _ = TRUTHS[request.param]
    sections = [one for one in comparison.__all__ if one not in {"prepare_study", "Study", "provenance"}]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of models that are then not used: what is said of them is looked at
        study = study_in_memory(plant(**cohort), **{"imputations": 2, "design": "randomised", **options})
        shown = [Shown(one, tuple(getattr(comparison, one)(study))) for one in sections]
    return said_once(Document((Shown("title", (Heading(1, "Comparison", "Comparison"),)), *shown))), must_not


def words_of(block):
    """Give what a block says on a page, folded or not, on a slide and in its notes: paragraphs, captions, cells."""
    if isinstance(block, Passage):
        return [*block.paragraphs, *block.points]
    if isinstance(block, Figure):
        return [block.message, block.caption, block.alt, *words_of(block.table)]
    if isinstance(block, Table):
        return [block.caption, *block.notes, *(cell for row in block.rows() for cell in row)]
    return []


def test_what_a_truth_forbids_stands_nowhere_on_the_page_or_the_slides(page):
    document, must_not = page
    said = [text for block in document.blocks for text in words_of(block)]
    assert len(said) > 200
    forbidden = [words for words in must_not if words not in OF_IN_SHORT | {"0/0"}]  # cells may hold 0/0, sentences not
    assert {
        words: [text for text in said if words in text][:3] for words in forbidden if words in "\n".join(said)
    } == {}


def visible(block):
    """Give the sentences of a block that a reader of the page sees: cells, alternative texts and notes beside tables are none."""
    texts = []
    if isinstance(block, Passage):
        texts = (
            list(block.paragraphs) if block.kind not in {"subtitle", "absent"} else []
        )  # each empty section says why
    elif isinstance(block, Figure):
        texts = [block.caption, block.table.caption, *block.table.notes]
    elif isinstance(block, Table):
        texts = [block.caption, *block.notes]
    return [one.strip(" .") for text in texts if not text.startswith(BESIDE) for one in sentences(text)]


def test_no_sentence_stands_twice_on_a_page(page):
    document, _ = page
    every = [one for block in document.blocks for one in visible(block) if len(one) >= LONG]
    assert len(every) > 50
    assert sorted({one for one in every if every.count(one) > 1}) == []


def test_no_alternative_text_is_repeated_under_its_figure(page):
    document, _ = page
    figures = [one for one in document.blocks if isinstance(one, Figure)]
    said = " ".join(text for block in document.blocks for text in visible(block))
    long = [one for figure in figures for one in re.split(r"(?<=[.;]) ", figure.alt) if len(one) >= LONG]
    assert len(long) > 5
    assert [one for one in long if one.strip(" .;") in said] == []
