"""Differences in words: what the verdict supports and no more, whichever way the measure goes."""

import dataclasses
import itertools
import re
from types import SimpleNamespace

import pytest

from analysis.cohort import load_catalogue
from analysis.report.comparison.findings.doubts import doubts_words, harms_words
from analysis.report.comparison.findings.finding import Course, Difference, Findings, Seen
from analysis.report.comparison.findings.words import (
    courses_words,
    difference_words,
    differences_words,
    seen_words,
    slide_title,
    unturned_words,
)

TORQUE, PAIN, EXTENSION = (load_catalogue()[name] for name in ("quadriceps_torque", "pain", "knee_extension"))
NAN = float("nan")


def difference(estimate, lower, upper, verdict, *, protocol="early", among=1, seen=(30, 30), allocated=30, **more):
    given = {"mean": 2.0, "reference_mean": 2.0 - estimate, "turned_by": 0, "analyses": 6} | more
    own, other = (Seen(name, number, allocated) for name, number in zip((protocol, "usual"), seen, strict=True))
    return Difference(protocol, "usual", 26.0, estimate, lower, upper, 0.01, among, own, other, verdict, **given)


def said(measure, *numbers, allocation="randomised", **more):
    return difference_words(difference(*numbers, **more), measure, level=0.95, allocation=allocation)


def found(*differences, seen=(), courses=()):
    return Findings(tuple(seen), differences, tuple(courses), None, (), (), (), (), (), (), ())


def test_an_interval_that_holds_zero_tells_nothing_apart_and_is_never_called_equal():
    sentence = said(TORQUE, 0.06, -0.04, 0.16, "undecided")
    assert sentence == (
        "These data do not tell whether early or usual is better. Mean quadriceps torque at week 26 was 0.06 N·m/kg higher with "
        "early; 95 % interval 0.04 lower (worse) to 0.16 higher (better)."
    )
    assert not any(word in sentence for word in ("no difference", "equal", "same", "significant"))


@pytest.mark.parametrize(
    ("measure", "estimate", "lower", "upper", "better"),
    [
        (TORQUE, 0.14, 0.04, 0.25, "protocol"),
        (TORQUE, -0.14, -0.25, -0.04, "reference"),
        (PAIN, -1.0, -1.8, -0.2, "protocol"),
        (PAIN, 1.0, 0.2, 1.8, "reference"),
    ],
)
def test_who_is_favoured_is_named(measure, estimate, lower, upper, better):
    names = "early over usual" if better == "protocol" else "usual over early"
    assert said(measure, estimate, lower, upper, f"favours {better}").startswith(f"These data favour {names}. ")


def test_limits_are_read_from_the_nearer_to_the_further_and_say_what_they_are_adjusted_for():
    sentence = said(TORQUE, -0.14, -0.25, -0.04, "favours reference", among=3)
    assert "0.14 N·m/kg lower with early; 95 % interval, adjusted for 3 comparisons, 0.04 to 0.25 lower." in sentence


def test_a_limit_near_no_difference_is_not_shown_as_none():
    """It read "These data favour early over usual. ... 95 % interval 0.00 to 0.41 higher"."""
    told = said(TORQUE, 0.2, 0.003, 0.41, "favours protocol")
    assert told.startswith("These data favour early over usual.")
    assert told.endswith("95 % interval 0.003 to 0.41 higher.")
    assert said(TORQUE, 0.2, -0.003, 0.41, "undecided").endswith(
        "interval 0.003 lower (worse) to 0.41 higher (better)."
    )
    assert said(TORQUE, 0.2, 0.0, 0.41, "undecided").endswith("interval no difference to 0.41 higher (better).")
    title = slide_title(found(difference(0.2, 0.003, 0.41, "favours protocol")), TORQUE)
    assert title == "Early: 0.20 N·m/kg higher at week 26 (0.003 to 0.41)"


def test_what_lies_apart_at_the_start_is_said_with_that_nobody_drew_lots():
    """Of the doubts three stand in In short: after losses and answers that turn it was the fourth."""
    one = difference(0.2, 0.1, 0.3, "no conclusion", seen=(10, 30), turned_by=3)
    findings = dataclasses.replace(found(one, seen=(one.reference_seen, one.seen)), imbalance=(("early", "Age", 0.5),))
    first = doubts_words(findings, TORQUE, allocation="observational")[:3]
    assert first[2].endswith(
        "a difference is an association. At the start they differ most from usual in age (early, +0.5 SD)."
    )


def test_what_was_not_randomised_is_worded_as_an_association():
    sentence = said(TORQUE, 0.14, 0.04, 0.25, "favours protocol", allocation="observational")
    assert sentence.startswith(
        "Patients with early did better on average than those with usual; the groups may differ in other ways. "
    )
    assert not re.search("effect|favour|cause|benefit|lead", sentence)


def test_a_missing_interval_compares_nothing():
    assert said(TORQUE, 0.1, NAN, NAN, "not compared") == (
        "Early could not be compared with usual at week 26: no interval can be given."
    )


def doubts(*differences, **more):
    given = dataclasses.replace(found(*differences), **more)
    return " ".join(doubts_words(given, TORQUE, allocation="randomised"))


def test_what_one_measurement_cannot_detect_is_a_doubt_of_small_differences_only():
    told = [doubts(difference(size, size - 0.1, size + 0.1, "favours protocol")) for size in (0.36, 0.38)]
    assert [
        "In one patient a change as large as the difference of early could not be told from the error of measurement (up to "
        "0.37 N·m/kg)." in one
        for one in told
    ] == [True, False]
    assert "error of measurement" not in doubts(difference(0.06, -0.04, 0.16, "undecided"))


def test_where_too_many_were_lost_nothing_is_concluded_and_the_other_analyses_are_told():
    lost = difference(0.5, 0.2, 0.8, "no conclusion", seen=(3, 25), turned_by=3)
    assert said(TORQUE, 0.5, 0.2, 0.8, "no conclusion", seen=(3, 25)).startswith(
        "No conclusion about early against usual, as too many were not seen. Mean quadriceps torque at week 26 was 0.50 "
    )
    turned = "Analyses with other assumptions about missing visits change the answer for early (3 of 6)."
    assert turned in doubts(lost)
    assert unturned_words(found(lost)) == []
    same = dataclasses.replace(lost, turned_by=0)
    assert unturned_words(found(same)) == [
        "No analysis with other assumptions about missing visits gives another answer for early (0 of 6)."
    ]
    clear = difference(0.5, 0.2, 0.8, "favours protocol")
    assert unturned_words(found(clear)) == []
    assert "assumptions" not in said(TORQUE, 0.5, 0.2, 0.8, "favours protocol", turned_by=1)


def test_doubts_stand_in_the_order_in_which_they_change_the_reading():
    """Losses, what was measured, answers that turn, few patients, findings that contradict each other, what blurs a finding."""
    clear = difference(0.3, 0.1, 0.5, "favours protocol", turned_by=1)
    given = dataclasses.replace(
        found(clear, seen=[Seen("usual", 30, 30), Seen("early", 9, 30)]), unusual=(("early", 6.0, 9.6),), opposite=("early",),
        at_best=(9, 30), tips=(("early", -0.1),), hardly_done=(("early", "exercise", 5, 60),),
    )  # fmt: skip
    said = doubts_words(given, PAIN, allocation="observational")
    starts = ["Those who were not seen", "Means that lie", "Analyses with other", "The patients were not allocated", "Fewer than 20",
              "For early mean", "The interval would hold", "Less than half", "Of 30 patients seen", "In one patient"]  # fmt: skip
    assert len(said) == len(starts)
    assert all(one.startswith(start) for one, start in zip(said, starts, strict=True))


def test_a_difference_that_is_shown_as_zero_has_no_size():
    assert "was less than 0.01 N·m/kg higher with early" in said(TORQUE, 0.004, -0.1, 0.1, "undecided")
    assert "was 0.01 N·m/kg lower with early" in said(TORQUE, -0.006, -0.1, 0.1, "undecided")


def test_serious_harms_are_said_beside_any():
    found = SimpleNamespace(harms=(("usual", 1, 3, 30), ("early", 0, 2, 30)), harms_unsaid=())
    assert harms_words(found) == "Serious harm on record: usual 1/30, early 0/30; other harm: usual 3/30, early 2/30."
    assert harms_words(SimpleNamespace(harms=())) == "Harms were not recorded, so nothing is said of them."


def test_beyond_the_ideal_nothing_is_better():
    sentence = said(EXTENSION, 4.0, 3.0, 5.0, "beyond the ideal", mean=2.4, reference_mean=-1.6)
    assert "the mean with early, 2.4 deg, lies beyond 0 (with usual, −1.6 deg), where higher is not better" in sentence
    both = said(EXTENSION, 2.0, 1.0, 3.0, "beyond the ideal", mean=2.4, reference_mean=0.4)
    assert "the means with early, 2.4 deg, and with usual, 0.4 deg, lie beyond 0, where" in both
    undecided = said(EXTENSION, 0.2, -1.0, 1.4, "undecided", mean=2.4, reference_mean=2.2)
    assert "interval 1.0 lower to 1.4 higher." in undecided
    assert "(better)" not in undecided


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("faded", "0.20 N·m/kg higher with early at week 12, not found at week 26"),
        ("not yet", "0.20 N·m/kg higher with early at week 12, not yet found at week 26"),
        ("reversed", "0.20 N·m/kg higher with early at week 12, the other way at week 26"),
        ("open", "0.20 N·m/kg higher with early at week 12 (seen usual 30/30, early 29/30), which cannot be told at week 26"),
        ("gone", "the difference of early is found no more at week 12"),
    ],
)  # fmt: skip
def test_another_week_is_told_as_secondary(kind, words):
    seen = (Seen("usual", 30, 30), Seen("early", 29, 30))
    one = Course("early", "usual", 12.0, 0.2, 0.1, 0.3, 8, kind, seen)
    main = difference(0.1, -0.1, 0.3, "undecided")
    assert courses_words(found(main, courses=[one]), TORQUE) == [f"Secondary: {words}."]
    assert courses_words(found(main, courses=[one] * 3), TORQUE) == [
        "Secondary: 3 differences are other ones at other weeks."
    ]


def test_of_several_differences_the_first_says_what_was_measured_and_for_how_many_all_are_adjusted():
    clear = difference(0.3, 0.1, 0.5, "favours protocol", protocol="p0", among=2)
    open_ = difference(0.1, -0.1, 0.3, "undecided", protocol="p1", among=2)
    told = differences_words(found(clear, open_), TORQUE, level=0.95, allocation="randomised")
    assert (
        "Mean quadriceps torque at week 26 was 0.30 N·m/kg higher with p0; 95 % interval, adjusted for 2 comparisons, 0.10"
        in told[0]
    )
    assert told[1].endswith(
        "The mean was 0.10 N·m/kg higher with p1; 95 % interval, adjusted alike, 0.10 lower (worse) to 0.30 higher (better)."
    )
    nobody = dataclasses.replace(clear, verdict="not compared")
    second = differences_words(found(nobody, open_), TORQUE, level=0.95, allocation="randomised")[1]
    assert "Mean quadriceps torque at week 26 was" in second


def test_of_many_comparisons_those_that_tell_something_are_said_and_the_others_counted():
    names = [f"p{k}" for k in range(12)]
    clear = difference(0.3, 0.1, 0.5, "favours protocol", protocol="p0", among=12)
    lost = [difference(0.3, 0.1, 0.5, "no conclusion", protocol=name, among=12) for name in names[1:3]]
    rest = [difference(0.1, -0.1, 0.3, "undecided", protocol=name, among=12) for name in names[3:]]
    told = differences_words(found(clear, *lost, *rest), TORQUE, level=0.95, allocation="randomised")
    assert len(told) == 3
    assert told[0].startswith("These data favour p0 over usual.")
    assert told[1].startswith("For 9 of the 12 comparisons with usual the interval holds no difference")
    assert told[2] == "For 2 of the 12 comparisons with usual (p1 and p2) too many were lost for a conclusion."


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        ([("usual", 30, 30), ("early", 30, 30)], "At week 26, all 60 patients were seen with a value of pain."),
        ([("usual", 1, 1)], "At week 26, the one patient was seen with a value of pain."),
        ([("usual", 1, 2)], "At week 26, 1 of 2 patients was seen with a value of pain. A third or more have none: usual (1 of 2)."),
        (
            [("usual", 29, 30), ("early", 24, 30)],
            ("At week 26, 53 of 60 patients were seen with a value of pain: usual 29/30, early 24/30. The losses differ: "
             "6 of 30 with early and 1 of 30 with usual have none."),
        ),
        (
            [("usual", 20, 30), ("early", 30, 30)],
            ("At week 26, 50 of 60 patients were seen with a value of pain: usual 20/30, early 30/30. A third or more have "
             "none: usual (10 of 30)."),
        ),
        (
            [(f"p{k}", 25 + k, 30) for k in range(5)],
            "At week 26, 135 of 150 patients were seen with a value of pain: from p0 25/30 to p4 29/30.",
        ),
    ],
)  # fmt: skip
def test_who_was_seen(seen, words):
    assert seen_words(found(seen=[Seen(*one) for one in seen]), 26.0, PAIN) == words


def test_the_title_of_a_slide_is_what_was_found():
    clear = difference(0.15, 0.03, 0.26, "favours protocol", protocol="both")
    nothing = difference(0.05, -0.05, 0.16, "undecided", protocol="alone")
    lost = difference(0.5, 0.1, 0.9, "no conclusion", protocol="third")
    assert slide_title(found(clear, nothing), TORQUE) == (
        "Both: 0.15 N·m/kg higher at week 26 (0.03 to 0.26); alone: cannot be told"
    )
    assert slide_title(found(lost, nothing), TORQUE) == "Third, week 26: too many lost to tell; alone: cannot be told"
    assert slide_title(found(), TORQUE) == ""


def test_every_combination_is_whole_sentences():
    """No double spaces, brackets and full stops in pairs, no number without a unit lost; a grid of everything."""
    verdicts = {
        "favours protocol": (0.3, 0.1, 0.5), "favours reference": (-0.3, -0.5, -0.1), "undecided": (0.1, -0.1, 0.3),
        "no conclusion": (0.3, 0.1, 0.5), "beyond the ideal": (0.3, 0.1, 0.5), "not compared": (0.1, NAN, NAN),
    }  # fmt: skip
    for (verdict, numbers), measure, allocation, among, turned in itertools.product(
        verdicts.items(), (TORQUE, PAIN, EXTENSION), ("randomised", "observational"), (1, 2, 11), (0, 1, 6)
    ):
        if verdict == "beyond the ideal" and measure.ideal is None:
            continue
        sentence = said(measure, *numbers, verdict, allocation=allocation, among=among, turned_by=turned)
        assert not re.search(r"  | [,.;:]|\.\.|,,|\( | \)|nan|None", sentence), sentence
        assert sentence.count("(") == sentence.count(")")
        assert sentence.endswith(".")
        assert len(sentence) < 480, sentence
        if allocation == "observational":
            assert "favour" not in sentence


def test_a_difference_just_below_what_is_detectable_is_shown_below_it():
    assert "was 0.368 N·m/kg higher with early" in said(TORQUE, 0.368, 0.2, 0.5, "favours protocol")


@pytest.mark.parametrize(
    ("harms", "words"),
    [
        ((("usual", 0, 3, 30), ("early", 0, 6, 30)), "Serious harm on record: usual 0/30, early 0/30; other harm: usual 3/30, early 6/30."),
        (
            (("exercise alone for a whole year", 0, 3, 30), ("home stimulation with a brace at night", 3, 6, 30)),
            ("Serious harm on record: 3 of 60 patients, most often with home stimulation with a brace at night (3/30); other harm: 9 of "
             "60 patients, most often with home stimulation with a brace at night (6/30)."),
        ),
        ((), "Harms were not recorded, so nothing is said of them."),
    ],
)  # fmt: skip
def test_a_slide_has_the_harms_in_one_line(harms, words):
    assert harms_words(dataclasses.replace(found(), harms=harms), few=True) == words
