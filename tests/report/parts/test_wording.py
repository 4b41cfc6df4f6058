"""Sentences that every report of several protocols has."""

from analysis.report.parts.wording import cautions, multiplicity_sentence


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
