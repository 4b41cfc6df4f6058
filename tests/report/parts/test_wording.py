"""Sentences claim what the interval supports, and no more."""

import pytest

from analysis.cohort import load_catalogue
from analysis.outcomes import responders
from analysis.report.parts.wording import cautions, difference_sentence, multiplicity_sentence, responder_sentence

TORQUE = load_catalogue()["quadriceps_torque"]
PAIN = load_catalogue()["pain"]


def said(measure, estimate, lower, upper, allocation="randomised"):
    return difference_sentence(
        "early", "usual", measure=measure, week=26.0, estimate=estimate, lower=lower, upper=upper, level=0.95,
        allocation=allocation,
    )  # fmt: skip


def test_an_interval_that_holds_zero_tells_nothing_apart_and_is_never_called_equal():
    sentence = said(TORQUE, 0.06, -0.04, 0.16)
    assert sentence == (
        "With early, mean quadriceps torque at week 26 was 0.06 N·m/kg higher than with usual, but the 95 % interval "
        "runs from 0.04 lower (worse) to 0.16 higher (better): these data do not tell which of the two is better."
    )
    assert not any(word in sentence for word in ("no difference", "equal", "same", "significant"))


@pytest.mark.parametrize(
    ("measure", "estimate", "lower", "upper", "better"),
    [
        (TORQUE, 0.14, 0.04, 0.25, "early"),
        (TORQUE, -0.14, -0.25, -0.04, "usual"),
        (PAIN, -1.0, -1.8, -0.2, "early"),
        (PAIN, 1.0, 0.2, 1.8, "usual"),
    ],
)
def test_the_direction_of_the_measure_says_who_is_better(measure, estimate, lower, upper, better):
    assert said(measure, estimate, lower, upper).endswith(f"these data favour {better}.")


def test_limits_are_read_from_the_nearer_to_the_further():
    assert "(95 % interval 0.04 to 0.25 lower)" in said(TORQUE, -0.14, -0.25, -0.04)


def test_what_was_not_randomised_is_worded_as_an_association():
    sentence = said(TORQUE, 0.14, 0.04, 0.25, "observational")
    assert "causes other than the protocol" in sentence
    assert "effect" not in sentence
    assert "favour" not in sentence


def test_a_missing_interval_compares_nothing():
    nan = float("nan")
    assert said(TORQUE, 0.1, nan, nan) == (
        "With early, mean quadriceps torque at week 26 could not be compared with usual: no interval can be given."
    )


def test_responders_come_with_their_denominators(invented):
    found = responders(invented, "ikdc", week=26)
    sentence = responder_sentence(found)
    for row in found.table.itertuples():
        assert f"({row.responders}/{row.n}) with {row.protocol}" in sentence
    assert "18.9 points" in sentence


def test_nobody_seen_gives_no_share(invented):
    assert "no share can be given" in responder_sentence(responders(invented, "ikdc", week=25))


def test_several_comparisons_are_spoken_of():
    assert multiplicity_sentence(3).startswith("There are 3 comparisons at the primary week")


def test_cautions_defer_to_those_who_decide_and_name_what_is_weak():
    listed = " ".join(
        cautions(
            allocation="observational", invented=False, sizes={"usual": 9, "early": 30},
            missing_shares={"usual": 0.1, "early": 0.4}, responders=(),
        )
    )  # fmt: skip
    for words in (
        "recommends nothing for a patient", "treating clinician", "instructions of the device", "local law",
        "ethics board", "not allocated", "usual (9)", "early 40 %",
    ):  # fmt: skip
        assert words in listed
    assert "effect" not in listed
