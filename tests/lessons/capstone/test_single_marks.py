"""Single marks: each grade of each claim, on numbers that are made up for it."""

from dataclasses import replace

import pytest

from analysis.lessons.capstone.claims import Claims
from analysis.lessons.capstone.knowable import Knowable
from analysis.lessons.capstone.marking_difference import mark_estimate, mark_verdict
from analysis.lessons.capstone.unseen import unseen_cohort

from . import reports

NEW, USUAL = reports.NEW, reports.REFERENCE


def known(low, high):
    return Knowable((low + high) / 2, low, high, {}, {}, 0)


@pytest.mark.parametrize(
    ("verdict", "more", "truth", "interval", "grade"),
    [
        ("a difference", NEW, 3.0, (1, 5), "right"),
        ("a difference", NEW, 3.0, (-1, 5), "right but too strong"),
        ("a difference", NEW, -3.0, (-5, -1), "wrong"),
        ("a difference", NEW, 0.0, (1, 5), "wrong"),
        ("a difference", USUAL, -3.0, (-5, -1), "right"),
        ("a difference", USUAL, -3.0, (-5, 1), "right but too strong"),
        ("a difference", USUAL, 3.0, (1, 5), "wrong"),
        ("a difference", None, 3.0, (1, 5), "missed"),
        ("a difference that matters", NEW, 9.0, (6, 12), "right"),
        ("a difference that matters", NEW, 9.0, (4, 12), "right but too strong"),
        ("a difference that matters", NEW, 3.0, (1, 5), "right but too strong"),
        ("a difference that matters", NEW, 3.0, (6, 12), "right but too strong"),
        ("a difference that matters", USUAL, -9.0, (-12, -6), "right"),
        ("a difference that matters", USUAL, -9.0, (-12, -4), "right but too strong"),
        ("a difference that matters", USUAL, 9.0, (6, 12), "wrong"),
        ("no difference shown", None, 0.0, (-2, 2), "right"),
        ("no difference shown", None, 3.0, (-1, 6), "right"),
        ("no difference shown", None, 3.0, (1, 6), "missed"),
        ("no difference shown", None, 0.0, (1, 6), "right"),
        ("no difference that matters", None, 0.0, (-2, 2), "right"),
        ("no difference that matters", None, 0.0, (-2, 6), "right but too strong"),
        ("no difference that matters", None, 9.0, (6, 12), "wrong"),
        (None, None, 9.0, (6, 12), "missed"),
    ],
)
def test_the_verdict(verdict, more, truth, interval, grade):
    assert mark_verdict(Claims(verdict=verdict, gained_more=more), truth, known(*interval)).grade == grade


@pytest.mark.parametrize(
    ("estimate", "interval", "truth", "grade"),
    [
        (3.0, (1.0, 5.0), 2.0, "right"),
        (3.0, None, 2.0, "right but too strong"),
        (-3.0, None, 2.0, "wrong"),
        (3.0, (2.5, 3.5), 3.2, "right but too strong"),
        (3.0, (-20.0, 30.0), 2.0, "missed"),
        (3.0, (1.0, 5.0), 6.0, "wrong"),
        (-3.0, (-5.0, 9.0), 2.0, "wrong"),
        (None, None, 2.0, "missed"),
    ],
)
def test_the_size(estimate, interval, truth, grade):
    mark = mark_estimate(Claims(estimate=estimate, interval=interval), truth, known(1, 5))
    assert mark.grade == grade
    assert "+3.0 degrees (95 % interval 1.0 to 5.0)" in mark.why or grade == "right"


def test_an_interval_that_misses_by_bad_luck_is_told_from_one_that_is_not_of_the_data():
    unlucky = mark_estimate(Claims(estimate=3.0, interval=(1.0, 5.0)), 6.0, known(1, 5)).why
    own = mark_estimate(Claims(estimate=3.0, interval=(2.0, 4.0)), 4.5, known(1, 5)).why
    assert "Nothing was done wrongly" in unlucky
    assert "Your interval misses it" in own


@pytest.mark.parametrize(
    ("verdict", "more", "truth", "interval"),
    [
        ("a difference", NEW, 0.0, (1, 5)),
        ("a difference that matters", NEW, 3.0, (6, 12)),
        ("a difference that matters", USUAL, 0.0, (-12, -6)),
        ("no difference that matters", None, 9.0, (-4, 4)),
    ],
)
def test_what_an_unlucky_interval_carries_is_no_fault_of_the_report(verdict, more, truth, interval):
    claims = Claims(verdict=verdict, gained_more=more)
    assert "Nothing was done wrongly" in mark_verdict(claims, truth, known(*interval)).why
    wide = known(-20, 20)
    assert "Nothing was done wrongly" not in mark_verdict(claims, truth, wide).why


def grade_of(name, **changed):
    return reports.grades(replace(reports.honest(2), **changed), 2)[name]


def test_problems_at_another_site_or_beside_those_planted_are_wrong():
    made = unseen_cohort(2)
    assert made.planted == {"entered twice": "site A", "no baseline": "site B", "rounded": "site C"}
    problems = (
        ("entered twice", "site D"),
        ("no baseline", "site B"),
        ("no baseline", "site C"),
        ("limbs swapped", "site D"),
    )
    marks = reports.mark_claims(replace(reports.honest(2), problems=problems), made)
    found = [(mark.claim, mark.said, mark.grade) for mark in marks if mark.claim.startswith("Problem")]
    assert sorted(found) == [
        ("Problem: entered twice", "at site D", "wrong"),
        ("Problem: limbs swapped", "at site D", "wrong"),
        ("Problem: no baseline", "at site B", "right"),
        ("Problem: no baseline", "at site C", "wrong"),
        ("Problem: rounded", "not named", "missed"),
    ]


def test_allocation_and_word():
    assert unseen_cohort(2).allocation == "not by lot"
    assert grade_of("How protocols were given", allocation="by lot") == "wrong"
    assert grade_of("How protocols were given", allocation=None) == "missed"
    assert grade_of("The word for the difference", wording="effect") == "right but too strong"
    assert grade_of("The word for the difference", wording="association") == "right"
    assert grade_of("The word for the difference", wording=None) == "missed"


def test_shares_of_all_patients_and_of_fewer():
    name = f"Improved, {USUAL}"
    reached, seen = reports.honest(2).improved[USUAL]
    whole = int(unseen_cohort(2).mended.patients["protocol"].eq(USUAL).sum())
    assert grade_of(name, improved={USUAL: (reached, whole)}, of_whom="all patients") == "right"
    assert grade_of(name, improved={USUAL: (reached, whole)}, of_whom="patients seen") == "wrong"
    assert grade_of(name, improved={USUAL: (whole, whole)}, of_whom="all patients") == "wrong"
    assert grade_of(name, improved={USUAL: (reached, seen)}, of_whom=None) == "missed"
    assert grade_of(name, improved={USUAL: (0, 0)}) == "missed"
    assert grade_of(name, improved={}) == "missed"
    three_quarters = round(0.75 * seen)
    assert grade_of(name, improved={USUAL: (round(0.75 * reached), three_quarters)}) == "right"
    assert grade_of(name, improved={USUAL: (round(0.3 * reached), round(0.3 * seen))}) == "wrong"


def test_those_not_seen():
    name, (lost, all_patients) = "Not seen at week 26", reports.honest(2).not_seen
    assert grade_of(name, not_seen=(lost + 1, all_patients)) == "right"
    assert grade_of(name, not_seen=(lost, all_patients + 10)) == "wrong"
    assert grade_of(name, not_seen=(lost + 3, all_patients)) == "wrong"
    assert grade_of(name, not_seen=(round(0.7 * lost), round(0.7 * all_patients))) == "right"
    assert grade_of(name, not_seen=(0, 0)) == "wrong"
    assert grade_of(name, not_seen=(lost, None)) == "missed"
    assert grade_of("What staying away went with", lost_goes_with="pain") == "wrong"
    assert grade_of("What staying away went with", lost_goes_with=None) == "missed"
    assert reports.pain_is_planted(1)
    for said, grade in (("pain", "right"), ("nothing found", "missed"), ("earlier values", "wrong")):
        marks = reports.grades(replace(reports.honest(1), lost_goes_with=said), 1)
        assert marks["What staying away went with"] == grade


def test_nothing_claimed_is_missed_throughout():
    assert set(reports.grades(Claims(), 2).values()) == {"missed"}
