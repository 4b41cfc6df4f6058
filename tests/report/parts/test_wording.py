"""Sentences claim what the interval supports, and no more."""

from dataclasses import replace

import pandas as pd
import pytest

from analysis.cohort import Cohort, load_catalogue
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


@pytest.mark.parametrize(("lower", "upper"), [(0.0, 0.25), (-0.25, 0.0)])
def test_an_interval_that_ends_at_zero_holds_it(lower, upper):
    sentence = said(TORQUE, (lower + upper) / 2, lower, upper)
    assert sentence.endswith("these data do not tell which of the two is better.")
    assert "no difference" in sentence


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


def test_of_many_protocols_the_lowest_and_the_highest_share_are_named_and_those_unseen_are_not_counted():
    """Pain from 8 to 5 or to 8, two patients of each of six protocols; nobody of the first was seen at week 12."""
    after = {"a": (), "b": (5, 8), "c": (8, 8), "d": (5, 5), "e": (5, 8), "f": (8, 5)}
    ids = {f"{name}{k}": name for name in after for k in (1, 2)}
    rows = [(one, 0, 8) for one in ids]
    rows += [(f"{name}{k}", 12, value) for name, values in after.items() for k, value in enumerate(values, 1)]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "value"]).assign(measure="pain", limb="none")
    cohort = Cohort(pd.DataFrame({"patient_id": list(ids), "protocol": list(ids.values())}), visits)
    sentence = responder_sentence(responders(cohort, "pain", week=12, threshold=2))
    assert "in 0 % (0/2) with c to 100 % (2/2) with d, counting the patients seen" in sentence


def test_a_difference_of_shares_whose_interval_ends_at_zero_is_not_one_that_leaves_it_out(invented):
    found = responders(invented, "ikdc", week=26)
    at_zero = replace(found, differences=found.differences.assign(difference=0.2, lower=0.0, upper=0.4))
    assert "interval of each difference in shares holds zero" in responder_sentence(at_zero)
    apart = replace(found, differences=found.differences.assign(difference=0.2, lower=0.01, upper=0.4))
    assert "that leave out zero: home stimulation minus exercise only +20 percentage points (+1 to +40)" in (
        responder_sentence(apart)
    )


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


def test_cautions_begin_below_20_patients_and_above_20_per_cent_missing():
    listed = " ".join(
        cautions(
            allocation="randomised", invented=False, sizes={"usual": 20, "early": 19},
            missing_shares={"usual": 0.2, "early": 0.21}, responders=(),
        )
    )  # fmt: skip
    assert "Few patients: early (19)." in listed
    assert "More than 20 % are missing at the primary week: early 21 %." in listed
