"""Whole pages of a quarter, of a check of the data and of one patient: what a truth forbids stands nowhere, no sentence twice."""

from dataclasses import replace

import pytest

from analysis.cohort import check_cohort
from analysis.report import Passage, one_patient, quality, quarter
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.markdown import Heading
from analysis.report.one_patient import study as one_patient_study
from analysis.report.quality import study as quality_study

from ..pages import LONG, forbidden_on, page_of, repeated_alternatives, said_twice, visible, words_of
from ..planted import plant
from . import test_quality_truths as of_quality
from . import test_quarter_truths as of_quarter


def quarter_page(name, folder):
    cohort, options, _, must_not, _ = of_quarter.TRUTHS[name]
    study = of_quarter.prepared(of_quarter.plant(**cohort), folder, **options)
    return page_of(quarter, study), must_not


def quality_page(name, folder):
    make, _, must_not, _ = of_quality.TRUTHS[name]
    cohort = replace(make(), privacy="limited")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(quality_study, "load_with_findings", lambda place: (cohort, check_cohort(cohort)))
        return page_of(quality, quality.prepare_check("in memory")), must_not


PATIENT = "e10000"
#: A patient who does as the others of a score that rises.
AS_OTHERS = {0: 45.0, 6: 50.0, 12: 58.0, 26: 68.0, 52: 75.0}


def with_values(**changed):
    """Plant patients, one of whom does as the others but at the weeks named (w26=98.0); None is not seen."""

    def make():
        cohort = plant(patients=30, measure="ikdc")
        own = AS_OTHERS | {int(name[1:]): value for name, value in changed.items()}
        here = cohort.visits["patient_id"] == PATIENT
        values = cohort.visits["value"].mask(here, cohort.visits["week"].map(own))
        visits = cohort.visits.assign(value=values)
        return replace(cohort, visits=visits[visits["value"].notna()], privacy="limited")

    return make


OFF, NONE_OFF, WORSE, LOST = "Off the expected curve", "none is off", "Worse than at the start", "Lost"
#: Cohort, what In short must say of the patient, what nothing on the page may say.
OF_PATIENT = {
    "one who does as the others": (with_values(), [NONE_OFF], [OFF, WORSE, LOST]),
    "one off at one visit": (with_values(w26=98.0), [OFF, "above"], [NONE_OFF, WORSE, LOST]),
    "one seen at the start only": (
        with_values(w6=None, w12=None, w26=None, w52=None), ["No visit of this patient could be compared", LOST],
        [OFF, NONE_OFF, WORSE],
    ),
    "one who is lost": (with_values(w26=None, w52=None), [NONE_OFF, LOST], [OFF, WORSE]),
    "one worse than at the start": (with_values(w6=20.0, w12=20.0, w26=20.0, w52=20.0), [OFF, WORSE], [NONE_OFF, LOST]),
}  # fmt: skip


def patient_page(name, folder):
    make, must, must_not = OF_PATIENT[name]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(one_patient_study, "load_cohort", lambda place: make())
        page = one_patient.prepare_patient("in memory", patient=PATIENT)
    (answer,) = one_patient.answer(page)
    said = "\n".join(answer.paragraphs)
    assert [words for words in must if words not in said] == []
    return page_of(one_patient, page), must_not


PAGES = {
    "quarter": (quarter_page, of_quarter.TRUTHS),
    "quality": (quality_page, of_quality.TRUTHS),
    "patient": (patient_page, OF_PATIENT),
}
#: What holds forbidden words whatever the truth is: a table names a hidden site, and what to do after a change is a method.
EXCUSED = {"tiny": [r"^tiny$"], "After": [r"After a change that has lasted, set a new baseline"]}
#: Of quarters and checks those that say most; the others are near them, and slow.
QUICK = {
    "one site bad but hidden", "half lost, better those seen", "not yet due", "all hidden", "three patients",
    "one who does as the others", "one who is lost",
}  # fmt: skip
EVERY = [
    pytest.param((report, name), marks=[] if name in QUICK else [pytest.mark.slow], id=f"{report}, {name}")
    for report, (_, truths) in PAGES.items()
    for name in truths
]


@pytest.fixture(scope="module", params=EVERY)
def page(request, tmp_path_factory):
    report, name = request.param
    return PAGES[report][0](name, tmp_path_factory.mktemp("page"))


def test_what_a_truth_forbids_stands_nowhere_on_the_page_or_the_slides(page):
    document, must_not = page
    assert forbidden_on(document, must_not, EXCUSED) == {}


def test_no_sentence_stands_twice_on_a_page(page):
    document, _ = page
    assert sum(len(one) >= LONG for block in document.blocks for one in visible(block)) > 10
    assert said_twice(document) == []


def test_no_alternative_text_is_repeated_under_its_figure(page):
    document, _ = page
    assert repeated_alternatives(document) == []


def test_words_are_excused_within_their_sentence_only():
    document = Document(
        (Shown("a", (Heading(1, "Title", "Title"), Passage(("Visits are missing at random. One is missing.",)))),)
    )
    assert forbidden_on(document, ["missing", "lost"], {"missing": ["missing at random", "One is missing"]}) == {}
    assert list(forbidden_on(document, ["missing", "random"], {"missing": ["missing at random"]})) == [
        "missing",
        "random",
    ]


def test_a_quarter_without_control_charts_does_not_count_none_of_them(tmp_path):
    document, _ = quarter_page("not yet due", tmp_path)
    said = " ".join(text for block in document.blocks for text in words_of(block))
    assert "Run charts follow" in said
    assert "Laney" not in said
    assert "control chart" not in said.lower()
