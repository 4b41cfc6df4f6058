"""Marks of whole reports: an honest one and the wrong ones, over many seeds, against truths that are read off the cohort."""

from collections import Counter

import pytest
from scipy import stats

from analysis.lessons.capstone.marking import mark_claims

from . import reports

FEW, MANY = range(3), range(50)
VERDICT, SIZE, WORD = "What the data say", "How large the difference is", "The word for the difference"
LOST = "What staying away went with"
SHARES = [f"Improved, {name}" for name in (reports.REFERENCE, reports.NEW)]
#: Claims that lean on the interval; of these an honest report may err, 1 time in 20.
LEANING = {VERDICT, SIZE}


def seeds(test):
    """Run a test on a few seeds, and on fifty where there is time."""
    return pytest.mark.parametrize("seeds", [FEW, pytest.param(MANY, marks=pytest.mark.slow)], ids=["few", "many"])(
        test
    )


@seeds
def test_an_honest_report_is_right_but_for_what_an_interval_misses(seeds):
    missed = 0
    for seed in seeds:
        made = reports.made_of(seed)
        known = made.known
        holds = known.lower <= made.difference <= known.upper
        missed += not holds
        off = [mark for mark in mark_claims(reports.honest(seed), made) if mark.grade != "right"]
        assert {mark.claim for mark in off} <= LEANING
        assert not (off and holds), off
        assert all("1 of 20 such intervals" in mark.why for mark in off if mark.grade == "wrong")
    assert missed <= stats.binom.ppf(0.999, len(seeds), 0.05)


@seeds
def test_a_naive_report_is_too_strong_or_wrong(seeds):
    for seed in seeds:
        made, claims = reports.made_of(seed), reports.naive(seed)
        marks, known = reports.grades(claims, seed), made.known
        assert marks[WORD] == ("right" if made.allocation == "by lot" else "right but too strong")
        assert marks[SIZE] in {"wrong", "right but too strong"}
        side = 1 if claims.gained_more == reports.NEW else -1
        if made.difference * side <= 0:
            assert marks[VERDICT] == "wrong"
        elif abs(made.difference) < 5 or min(abs(known.lower), abs(known.upper)) < 5:
            assert marks[VERDICT] == "right but too strong"
        else:
            assert marks[VERDICT] == "right"


@seeds
def test_whoever_finds_no_problem_missed_three(seeds):
    for seed in seeds:
        made, marks = reports.made_of(seed), reports.grades(reports.unsuspecting(seed), seed)
        planted = {name for name in marks if name.startswith("Problem: ")}
        assert planted == {f"Problem: {kind}" for kind in made.planted}
        assert len(planted) == 3
        assert {marks[name] for name in planted} == {"missed"}
        assert marks[LOST] == ("missed" if reports.pain_is_planted(seed) else "right")
        if "entered twice" in made.planted:
            assert marks["Not seen at week 26"] == "wrong"
        if "other scale" in made.planted and abs(made.difference) > 5:
            assert marks[SIZE] == "wrong"


@seeds
def test_shares_of_everybody_without_denominators_or_of_those_seen_only(seeds):
    for seed in seeds:
        for report, grade in (
            (reports.everybody_improved, "wrong"),
            (reports.without_denominators, "missed"),
            (reports.seen_said_of_all, "right but too strong"),
        ):
            marks = reports.grades(report(seed), seed)
            assert {marks[name] for name in SHARES} == {grade}, (seed, report)


@pytest.mark.slow
def test_a_site_left_out_in_place_of_mended_is_no_fault():
    made = [seed for seed in MANY if "other scale" in reports.made_of(seed).planted]
    marks = [mark for seed in made for mark in mark_claims(reports.leaving_out(seed), reports.made_of(seed))]
    assert len(made) > 20
    off = Counter(mark.claim for mark in marks if mark.grade != "right")
    assert set(off) <= {*LEANING, *SHARES}
    assert sum(off[name] for name in SHARES) <= 0.05 * 2 * len(made)
    assert sum(off[name] for name in LEANING) <= 0.1 * 2 * len(made)


@seeds
def test_a_reversed_sign_is_wrong_where_the_protocols_differ(seeds):
    for seed in seeds:
        made, marks = reports.made_of(seed), reports.grades(reports.reversed_sign(seed), seed)
        known = made.known
        if known.shows_a_difference and made.difference:
            assert (marks[VERDICT], marks[SIZE]) == ("wrong", "wrong"), seed


@seeds
def test_nothing_shown_is_missed_where_the_data_show_it(seeds):
    found = Counter()
    for seed in seeds:
        made, marks = reports.made_of(seed), reports.grades(reports.never_shown(seed), seed)
        shown = made.known.shows_a_difference and made.difference != 0
        assert marks[VERDICT] == ("missed" if shown else "right")
        found[marks[VERDICT]] += 1
    assert len(found) == 2  # both kinds of cohort were met
