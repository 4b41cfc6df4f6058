"""Words where responders as counted and as expected tell two stories: when they appear, and that they add up."""

from types import SimpleNamespace

import pandas as pd
import pytest

from analysis.report.comparison import probability
from analysis.report.comparison.appendix.counted_or_expected import counted_or_expected
from analysis.report.parts.numbers import capitalised
from analysis.report.parts.passages import Passage
from synthetic_cohort import generate_cohort


def both(counted, expected, *, patients=None, missing="excluded", limits=((-0.3, 0.2), (-0.2, 0.3))):
    """The two analyses, with differences of one protocol from the usual one."""
    rows = {"protocol": ["early"], "reference": "usual", "level": 0.95}
    tables = [
        pd.DataFrame({**rows, "difference": one, "lower": low, "upper": high})
        for one, (low, high) in zip((counted, expected), limits, strict=True)
    ]
    if patients is None:
        patients = pd.DataFrame({"protocol": ["early", "usual"], "raw": [True, False], "probability": [0.9, 0.2]})
    patients = patients.astype({"raw": "boolean"})
    beside = SimpleNamespace(
        differences=tables[0], reference="usual", endpoint=SimpleNamespace(criterion="improvement", missing=missing)
    )
    return SimpleNamespace(differences=tables[1], patients=patients), beside


@pytest.mark.parametrize(
    ("counted", "expected", "words"),
    [
        (
            -0.04,
            0.04,
            "−4 points as counted (95 % interval −30 to +20), +4 points expected (−20 to +30); they point in opposite",
        ),
        (
            0.10,
            0.15,
            "+10 points as counted (95 % interval −30 to +20), +15 points expected (−20 to +30); they lie about 5 points",
        ),
        (0.20, 0.11, "they lie about 9 points apart."),
    ],
)
def test_differences_that_tell_two_stories_are_explained(counted, expected, words):
    passage = counted_or_expected(*both(counted, expected))
    assert words in passage.paragraphs[0]
    assert passage.paragraphs[0].startswith("Early against usual: ")
    assert passage.paragraphs[-1].startswith("As counted, a patient is a responder whose measured change")


@pytest.mark.parametrize(
    ("counted", "expected"), [(0.10, 0.14), (-0.004, 0.004), (0.0, 0.04), (float("nan"), 0.2), (0.2, float("nan"))]
)
def test_differences_that_agree_need_no_words(counted, expected):
    assert counted_or_expected(*both(counted, expected)) is None


def by_hand():
    """Of four with a yes or no in each protocol, 3 early and 2 usual respond, expected 2.2 and 2.0; one early without."""
    return pd.DataFrame(
        {
            "protocol": ["early"] * 5 + ["usual"] * 4 + ["late"],
            "raw": [True, True, True, False, None, True, True, False, False, True],
            "probability": [0.95, 0.6, 0.5, 0.15, 0.8, 0.9, 0.7, 0.3, 0.1, 1.0],
        }
    )


def test_the_steps_add_up():
    """Counted 3/4 - 2/4 = +25; expected among these 2.2/4 - 2/4 = +5; expected of all 3/5 - 2/4 = +10 points."""
    first = counted_or_expected(*both(0.25, 0.10, patients=by_hand())).paragraphs[0]
    assert (
        "moves by about so many points: −20 by judging the true in place of the measured change of the 8 patients with a yes "
        "or no and +5 by the 1 patient without one. Of the 8 patients with a yes or no, with early or usual, 7 "
        "have a probability between 10 and 90 %."
    ) in first
    assert "late" not in first


def test_non_response_is_a_step_of_its_own():
    """Missing as non-response: counted 3/5 - 2/4 = +10, and +15 to the +25 of those with a yes or no."""
    first = counted_or_expected(*both(0.10, 0.25, patients=by_hand(), missing="non-response")).paragraphs[0]
    assert "+20 by the 1 patient without one and +15 by no longer counting these as non-responders." in first


def test_nobody_with_a_yes_or_no_leaves_the_steps_out():
    patients = by_hand().assign(raw=None)
    first = counted_or_expected(*both(0.10, 0.25, patients=patients)).paragraphs[0]
    assert "moves by" not in first


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        (((-0.3, 0.2), (-0.2, 0.3)), "Both intervals hold zero, so neither direction is established."),
        (((0.1, 0.2), (-0.2, 0.3)), "Only the interval as counted leaves out zero"),
        (((-0.1, 0.2), (-0.2, -0.1)), "Only the interval of the expected shares leaves out zero"),
        (((0.1, 0.2), (0.2, 0.3)), "Both intervals leave out zero, on the same side."),
        (
            ((-0.3, -0.1), (0.2, 0.3)),
            "Both intervals leave out zero, on opposite sides, so conclude from neither alone.",
        ),
    ],
)
def test_what_the_intervals_say(limits, words):
    assert words in counted_or_expected(*both(-0.1, 0.2, limits=limits)).paragraphs[0]


def test_the_report_says_it_beside_the_two_tables(study_in_memory):
    cohort = generate_cohort(patients=60, seed=2).observed
    study = study_in_memory(cohort, measure="ikdc", imputations=25)
    section = list(probability(study))
    names = [getattr(item, "name", None) for item in section]
    said = [item for item in section if isinstance(item, Passage)]
    assert len(said) == 1
    assert names.index("expected-differences") + 1 == section.index(said[0])
    expected = section[names.index("expected-differences")].data.set_index("protocol")["difference"]
    counted = study.responders[-1].differences.set_index("protocol")["difference"]
    apart = [name for name in counted.index if abs(expected[name] - counted[name]) >= 0.05]
    assert apart
    for name in apart:
        assert any(paragraph.startswith(f"{capitalised(name)} against ") for paragraph in said[0].paragraphs)
