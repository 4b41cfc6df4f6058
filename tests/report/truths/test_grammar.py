"""Sentences of a comparison over a grid of findings, and of a patient's page: no fault of grammar, none too long.

Then those of whole comparisons (slow).
"""

import itertools
import warnings

import pytest

from analysis.cohort.catalogue import load_catalogue
from analysis.report import Figure, Passage, Table, comparison, one_patient
from analysis.report.comparison.closing import caution_words
from analysis.report.comparison.findings.doubts import doubts_words, harms_words, unusual_words
from analysis.report.comparison.findings.figure_words import (
    analyses_words,
    differences_by_week_words,
    harm_words,
    harms_title,
    means_title,
    means_words,
    missing_title,
    missing_words,
    shifts_words,
)
from analysis.report.comparison.findings.finding import Course, Difference, Findings, Mean, Seen, Shift
from analysis.report.comparison.findings.words import (
    courses_words,
    differences_words,
    means_doubt,
    seen_words,
    slide_title,
    unturned_words,
)
from analysis.report.one_patient import study as one_patient_study
from synthetic_cohort import generate_cohort

from .grammar import RULES, faults
from .planted import plant, share
from .test_what_is_said import TRUTHS, reading_age

ARMS = ["usual", "early", "late", *(f"form {letter}" for letter in "ABCDEFGHI")]
WRONG = {
    "several of one": "There are 1 harms.",
    "one of several": "Of 12 patient none was seen.",
    "verb of several after one": "Here 1 patient were seen.",
    "verb of one after several": "Here 12 patients was seen.",
    "weeks of one": "It was reached at weeks 2.",
    "a word twice": "It was found in in one study.",
    "spaces or stops": "It was found .",
    "minus zero": "The mean was −0.0 deg.",
    "hyphen as minus": "The mean was -1.5 deg.",
    "not a number": "The mean was nan deg.",
    "nothing of nothing": "Reached by 0/0 with early.",
    "per cent without room": "Reached by 5% with early.",
    "zero in place of none": "It leaves out zero in 0 of 6 analyses.",
    "a sentence after not in the data": "Not in the data: no patient has a value.",
    "a before a vowel": "It was a improvement.",
}


def test_each_rule_finds_its_fault_and_good_sentences_have_none():
    assert set(WRONG) == set(RULES)
    for name, text in WRONG.items():
        assert [one.partition(":")[0] for one in faults(text)] == [name]
    assert faults("12 were seen.")[0].startswith("begins with a number")
    assert faults("nobody was seen.")[0].startswith("begins small")
    assert faults(f"It {'very long ' * 31}is.")[0].startswith("64 words")
    assert faults("Of 12 patients 1 was seen, and 11 were not (−0.5 to 0.0 deg; 9/12 at weeks 2 and 6).") == []


def finding(arms, lost, verdict, measure, harmed):
    """Make findings by hand: every protocol of 12 patients or of one, this many lost, this verdict on each difference."""
    of = 1 if lost == 1 else 12
    names = ARMS[:arms]
    seen = tuple(Seen(name, of - lost, of) for name in names)
    sizes = {"favours protocol": (0.6, 0.2, 1.0), "favours reference": (-0.6, -1.0, -0.2)}
    estimate, lower, upper = (measure.sign * one for one in sizes.get(verdict, (0.1, -0.4, 0.6)))
    differences = tuple(
        Difference(
            name, names[0], 26.0, estimate, min(lower, upper), max(lower, upper), 0.2, arms - 1, seen[place], seen[0],
            verdict, 2.0, 1.0, lost % 3, 6 if lost else 0, (-0.5, 0.7), lost % 3, 4, (-0.1, 0.3),
            Shift(0.001 if lost == 1 else float("nan"), -2.0, 2.0, lost == 2, lost),
        )
        for place, name in enumerate(names) if place
    )  # fmt: skip
    courses = tuple(
        Course(names[-1], names[0], 6.0, 1.0, 0.5, 1.5, 8, kind)
        for kind in ("faded", "not yet", "open", "gone")
        if arms == 2
    )
    apart = tuple((name, label, 0.5) for name in names[1:] for label in ("Age", "IKDC subjective knee score"))
    return Findings(
        seen=seen, differences=differences, courses=courses, responders=None, opposite=tuple(names[1:2]) if lost else (),

        imbalance=apart, unusual=((names[0], 6.0, 9.6),) if lost == 2 else (),
        at_best=(lost, of) if lost and measure.name == "pain" else (), no_room=(),
        tips=tuple((name, -0.1) for name in names[1:2]) if lost else (),
        harms=tuple((name, harmed, harmed // 2, of) for name in names) if harmed <= of else (), start_known=lost < 5,
        hardly_done=tuple((name, "exercise", harmed, 1200) for name in names) if lost == 2 else (), sessions_known=lost < 5,
        primary_week=26.0, means=tuple(Mean(name, *((float("nan"),) * 3 if lost == 12 else (2.0, 1.5, 2.5))) for name in names),
    )  # fmt: skip


GRID = list(
    itertools.product(
        (1, 2, 3, 12), (0, 1, 2, 5, 12),
        ("favours protocol", "favours reference", "undecided", "no conclusion", "beyond the ideal", "not compared"),
        ("quadriceps_torque", "pain", "knee_extension"), ("randomised", "observational"), (0, 1, 2),
    )
)  # fmt: skip


@pytest.mark.parametrize("arms", [1, 2, 3, 12])
def test_every_sentence_of_a_grid_of_findings_reads_well(arms):
    measures, said = load_catalogue(), set()
    grid = [one for one in GRID if one[0] == arms]
    for _, lost, verdict, name, allocation, harmed in grid:
        measure = measures[name]
        if verdict == "beyond the ideal" and measure.ideal is None:
            continue
        found = finding(arms, lost, verdict, measure, harmed)
        said.add(seen_words(found, 26.0, measure))
        said.update(differences_words(found, measure, level=0.95, allocation=allocation))
        said.update((*courses_words(found, measure), *unturned_words(found)))
        said.update(unusual_words(found, measure))
        said.update(doubts_words(found, measure, allocation=allocation))
        said.update((harms_words(found), harms_words(found, few=True)))
        title = slide_title(found, measure)
        assert len(title) <= 108 or arms == 2, title
        said.update((f"Title: {title}", f"Mean pain: 2 to 3 points; {means_doubt(found) or 'nothing'}"))
        missing = {one.protocol: (one.allocated - one.seen, one.allocated) for one in found.seen}
        sizes = {one.protocol: one.allocated for one in found.seen}
        cautions = caution_words(allocation=allocation, invented=False, sizes=sizes, missing=missing, responders=())
        said.update(text for one in cautions for text in (one.text, one.short))
        for words in (means_words, differences_by_week_words):
            said.add(words(found, measure, level=0.95))
        said.update(
            (analyses_words(found, measure), shifts_words(found, measure), harm_words(found), missing_words(found))
        )
        said.update(
            f"Title: {one}" for one in (means_title(found, measure), missing_title(found), harms_title(found)) if one
        )
    assert len(said) > 20
    assert {text: wrong for text in said if text and (wrong := faults(text))} == {}


def test_every_sentence_of_pages_of_single_patients_reads_well(monkeypatch):
    """One whose values are all as expected, and one with values off the curve, low throughout, worse than before and lost."""
    cohort = generate_cohort(patients=60, seed=3).observed
    monkeypatch.setattr(one_patient_study, "load_cohort", lambda folder: cohort)
    sections = [one for one in one_patient.__all__ if one not in {"prepare_patient", "PatientPage", "provenance"}]
    said = set()
    for name in ("p0002", "p0010"):
        page = one_patient.prepare_patient("in memory", patient=name, measures=["quadriceps_torque", "pain"])
        said.update(text for one in sections for part in getattr(one_patient, one)(page) for text in sentences_of(part))
        (answer,) = one_patient.answer(page)
        assert reading_age(" ".join(answer.paragraphs)) <= 12
    words = " ".join(said)
    for told in (
        "none is off",
        "Off the expected curve: ",
        "Lost, or not yet due",
        "Worse than at the start",
        "Among the worst",
    ):
        assert told in words
    assert {text: wrong for text in said if (wrong := faults(text))} == {}


def sentences_of(part):
    """Give the sentences of a part of a report; headings and the cells of tables are none."""
    if isinstance(part, Passage):
        return [] if part.kind == "subtitle" else [*part.paragraphs, *part.points]
    if isinstance(part, Figure):
        return [part.caption, part.alt, *sentences_of(part.table)]
    return [part.caption, *part.notes] if isinstance(part, Table) else []


MORE = {
    "one protocol": lambda: plant(protocols=("usual",), lose=share({"usual": 0.3})),
    "one patient each": lambda: plant(patients=1),
    "many protocols": lambda: plant(protocols=tuple(ARMS), patients=12, lose=share(dict.fromkeys(ARMS, 0.2))),
    "home programme and harms": lambda: generate_cohort(patients=90, seed=3).observed,
}


@pytest.mark.slow
@pytest.mark.parametrize("name", [*TRUTHS, *MORE])
def test_every_sentence_of_a_whole_report_reads_well(study_in_memory, name):
    cohort, options = (plant(**TRUTHS[name][0]), TRUTHS[name][1]) if name in TRUTHS else (MORE[name](), {})
    sections = [one for one in comparison.__all__ if one not in {"prepare_study", "Study", "provenance"}]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of models that are then not used: what is said of them is looked at
        study = study_in_memory(cohort, **{"imputations": 2, "design": "randomised", **options})
        said = [
            text for one in sections for part in getattr(comparison, one)(study) for text in sentences_of(part) if text
        ]
    assert len(said) > 40
    assert {text: wrong for text in said if (wrong := faults(text))} == {}
