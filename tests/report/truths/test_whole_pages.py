"""Slow: whole comparisons of planted truths; what a truth forbids stands nowhere on page or slides, and no sentence twice."""

import warnings

import pytest

from analysis.report import Figure, comparison

from .pages import LONG, forbidden_on, page_of, repeated_alternatives, said_twice, visible, words_of
from .planted import plant
from .test_what_is_said import TRUTHS

pytestmark = pytest.mark.slow
#: What holds forbidden words in every comparison, whatever the truth is, since it says how a number is made and not what was
#: found: what is done about missing visits, who is counted, how boxes are drawn. A cell may hold 0/0, a sentence may not.
EXCUSED = {
    "not seen": [r"patients not seen then or without a baseline are left out"],
    "missing": [
        r"assumption about missing visits", r"[Mm]issing visits are taken", r"as missing at random", r"[Mm]issing visits: [a-z-]+",
        r"missing completely at random", r"missing visits are taken into account",
    ],
    "beyond": [r"points lie beyond", r"degrees beyond straight", r"beyond the dotted lines", r"beyond ±1\.96"],
    "0/0": [r"^0/0$"],
}  # fmt: skip


@pytest.fixture(scope="module", params=TRUTHS)
def page(request, study_in_memory):
    """Give the document of a whole comparison, its notes told once as in every form, beside what must not be said."""
    cohort, options, _, must_not, _ = TRUTHS[request.param]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of models that are then not used: what is said of them is looked at
        study = study_in_memory(plant(**cohort), **{"imputations": 2, "design": "randomised", **options})
        return page_of(comparison, study), must_not


def test_what_a_truth_forbids_stands_nowhere_on_the_page_or_the_slides(page):
    document, must_not = page
    assert sum(len(words_of(block)) for block in document.blocks) > 200
    assert forbidden_on(document, must_not, EXCUSED) == {}


def test_no_sentence_stands_twice_on_a_page(page):
    document, _ = page
    assert sum(len(one) >= LONG for block in document.blocks for one in visible(block)) > 50
    assert said_twice(document) == []


def test_no_alternative_text_is_repeated_under_its_figure(page):
    document, _ = page
    assert sum(len(one.alt) >= LONG for one in document.blocks if isinstance(one, Figure)) > 5
    assert repeated_alternatives(document) == []
