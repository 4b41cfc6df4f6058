"""What stands at the end of a comparison, and what is said of several comparisons."""

from analysis.report.comparison.closing import caution_words
from analysis.report.comparison.outcomes import multiplicity_sentence


def test_several_comparisons_are_spoken_of():
    assert multiplicity_sentence(3).startswith("There are 3 comparisons at the primary week")


def test_cautions_defer_to_those_who_decide_and_name_what_is_weak():
    listed = " ".join(
        caution_words(
            allocation="observational", invented=False, sizes={"usual": 9, "early": 30},
            missing={"usual": (0, 9), "early": (12, 30)}, responders=(),
        )
    )  # fmt: skip
    for words in (
        "recommends nothing for a patient", "treating clinician", "instructions of the device", "local law",
        "ethics board", "not allocated", "usual (9)", "Missing at the primary week: early 12/30.",
    ):  # fmt: skip
        assert words in listed
    assert "effect" not in listed


def test_cautions_begin_below_20_patients_and_with_anybody_missing():
    listed = " ".join(
        caution_words(
            allocation="randomised", invented=False, sizes={"usual": 20, "early": 19},
            missing={"usual": (0, 20), "early": (1, 19)}, responders=(),
        )
    )  # fmt: skip
    assert "Few patients: early (19)." in listed
    assert "Missing at the primary week: early 1/19." in listed
