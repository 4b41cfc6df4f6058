"""Which protocol a report compares with and why: on its first page; what needs a named one waits until it is."""

from dataclasses import replace
from functools import cache

import pytest

from analysis.report import comparison
from analysis.report.parts.figures import Figure
from synthetic_cohort import generate_cohort

HOW = 'To name it: reference = "..." in the map file, or --set "reference=\'...\'" for one report.'


@pytest.fixture(scope="module")
def study_of(study_in_memory):
    """Make a study of some protocols of an invented cohort, in this order, of pain at three weeks; each is made once."""
    whole = generate_cohort(patients=90, seed=4).observed

    @cache
    def make(*protocols, of_cohort=None, **options):
        kept = whole.patients[whole.patients["protocol"].isin(protocols)]
        kept = kept.assign(protocol=kept["protocol"].cat.set_categories(list(protocols)))
        visits = whole.visits[whole.visits["patient_id"].isin(kept["patient_id"])]
        visits = visits[(visits["measure"] == "pain") & visits["week"].isin([0, 12, 26])]
        cohort = replace(
            whole, patients=kept, visits=visits, sessions=None, brace_limits=None, events=None, reference=of_cohort
        )
        return study_in_memory(cohort, measure="pain", imputations=2, **options)

    return make


EARLY, USUAL, THIRD = "home stimulation", "exercise only", "home stimulation and early motion"


def said(study):
    return str(comparison.subtitle(study)).splitlines()[2:-1]


@pytest.mark.parametrize("others", [pytest.param([], marks=pytest.mark.slow), [THIRD]])
def test_two_and_three_protocols(study_of, others):
    named = study_of(EARLY, USUAL, *others, of_cohort=USUAL)
    assert said(named) == ["Compared with exercise only, which the cohort names as its reference."]
    assert set(named.curves.differences()["reference"]) == {USUAL}
    asked = study_of(EARLY, USUAL, *others, reference=USUAL)
    assert said(asked) == ["Compared with exercise only, named as the reference for this report."]
    same = study_of(EARLY, USUAL, *others, of_cohort=USUAL, reference=USUAL)
    assert said(same) == ["Compared with exercise only, named as the reference for this report."]
    both = study_of(EARLY, USUAL, *others, of_cohort=USUAL, reference=EARLY)
    assert said(both) == [
        "Compared with home stimulation, named as the reference for this report; the cohort names exercise only."
    ]
    nameless = study_of(EARLY, USUAL, *others)
    assert said(nameless) == [
        f"No reference is named, so the others are compared with home stimulation, the first of them in the order of the data. {HOW}"
    ]
    assert set(nameless.curves.differences()["reference"]) == {EARLY}


@pytest.mark.parametrize("options", [{"of_cohort": USUAL}, {"reference": USUAL}])
def test_the_reference_comes_first_everywhere(study_of, options):
    """A protocol has one colour and one place in all figures and tables: the reference is the first, and dark grey."""
    study = study_of(EARLY, USUAL, THIRD, **options)
    sections = (comparison.flow, comparison.baseline, comparison.measurements, comparison.recovery)
    for section in (*sections, comparison.responder_analysis, comparison.missing):
        for item in section(study):
            if isinstance(item, Figure) and "protocol" in item.data:
                assert item.data["protocol"].astype("str").iloc[0] == USUAL, item.name
    assert study.cohort.protocols == [USUAL, EARLY, THIRD]
    assert study.curves.protocols == (USUAL, EARLY, THIRD)


def test_one_protocol_has_no_reference(study_of):
    for of_cohort in (None, USUAL):
        assert said(study_of(USUAL, of_cohort=of_cohort)) == []
    left = study_of(EARLY, USUAL, of_cohort=USUAL)
    only = left.cohort.patients["protocol"] == EARLY
    one = replace(left, cohort=replace(left.cohort, patients=left.cohort.patients[only]))
    assert said(one) == []


def test_nobody_followed_the_reference(study_of, study_in_memory):
    whole = study_of(EARLY, USUAL, THIRD, of_cohort=USUAL)
    rest = whole.cohort.patients["protocol"] != USUAL
    ids = whole.cohort.patients.loc[rest, "patient_id"]
    cohort = replace(
        whole.cohort,
        patients=whole.cohort.patients[rest],
        visits=whole.cohort.visits[whole.cohort.visits["patient_id"].isin(ids)],
    )
    study = study_in_memory(cohort, measure="pain", imputations=2)
    assert said(study) == []
    reason = "The reason: Nobody compared here followed 'exercise only', the reference of the cohort."
    assert reason in str(comparison.answer(study))


def test_curves_and_responders_compare_with_the_same_protocol(study_of, study_in_memory):
    """No reference is named, and nobody of the first protocol has a value of the measure."""
    whole = study_of(EARLY, USUAL, THIRD)
    ids = whole.cohort.patients.loc[whole.cohort.patients["protocol"] == EARLY, "patient_id"]
    visits = whole.cohort.visits
    visits = visits[~visits["patient_id"].isin(ids)]
    study = study_in_memory(replace(whole.cohort, visits=visits), measure="pain", imputations=2)
    assert study.curves.protocols[0] == study.reference == study.responders[0].reference == USUAL
    assert "compared with exercise only, the first of them in the order of the data" in said(study)[0]


def test_filling_under_the_reference_waits_for_its_name(study_of):
    about = {"jump to reference", "copy reference", "copy increments in reference"}
    for options, run in (({}, False), ({"of_cohort": USUAL}, True), ({"reference": USUAL}, True)):
        section = comparison.sensitivity(study_of(EARLY, USUAL, **options))
        figure = next(item for item in section if isinstance(item, Figure))
        assert (about <= set(figure.data["assumption"])) is run
        assert bool(about & set(figure.data["assumption"])) is run
        waits = "which protocol is the reference, so the analyses that fill missing visits as if under the reference"
        assert (waits in str(section)) is not run
        assert (HOW in str(section)) is not run
        assert ("Rubin's rules give information-anchored intervals" in str(section)) is run
