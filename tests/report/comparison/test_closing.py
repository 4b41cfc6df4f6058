"""What stands at the end of a comparison, and what is said of several comparisons."""

from analysis.report.comparison.closing import caution_words
from analysis.report.comparison.outcomes import multiplicity_sentence
from analysis.report.parts.wording import CAUTION_LETTERS, cautions_of


def test_several_comparisons_are_spoken_of():
    assert multiplicity_sentence(3).startswith("There are 3 comparisons at the primary week")


def test_cautions_defer_to_those_who_decide_and_name_what_is_weak():
    listed = " ".join(
        one.text
        for one in caution_words(
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
        one.text
        for one in caution_words(
            allocation="randomised", invented=False, sizes={"usual": 20, "early": 19},
            missing={"usual": (0, 20), "early": (1, 19)}, responders=(),
        )
    )  # fmt: skip
    assert "Few patients: early (19)." in listed
    assert "Missing at the primary week: early 1/19." in listed


NAMES = ("exercise alone at home", "stimulation at home with early motion", "stimulation at home")


def test_each_caution_of_a_slide_stays_on_one_line_and_there_are_four():
    """Of few and of many, of long names and short ones: the words of a line are counted, as a slide is not drawn here."""
    for names in (NAMES, ("usual", "early"), tuple(f"a programme with the long name {k}" for k in range(12))):
        for n in (1, 9, 30):
            for allocation in ("randomised", "observational"):
                missing = {name: (min(k, n), n) for k, name in enumerate(names)}
                said = caution_words(
                    allocation=allocation, invented=True, sizes=dict.fromkeys(names, n), missing=missing, responders=()
                )
                assert all(len(one.short) <= CAUTION_LETTERS for one in said), [one.short for one in said]
                passage = cautions_of(said)
                assert len(passage.points) == 4
                assert passage.paragraphs == tuple(one.text for one in said)
    assert passage.points[0] == "Invented cohort: no number in this report is a finding about any treatment."
