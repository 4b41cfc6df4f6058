"""The flow's sentence, title and slide tell who was allocated, started, was seen at the primary week, was lost and why."""

import dataclasses

import pandas as pd
import pytest

from analysis.cohort.catalogue import load_catalogue
from analysis.report import comparison
from analysis.report.comparison.findings.finding import Findings, Seen, Stayed
from analysis.report.comparison.findings.flow_words import flow_boxes, flow_title, flow_words

from ...truths.planted import plant

PAIN = load_catalogue()["pain"]


def found(*stayed, scheduled=True):
    seen = tuple(Seen(one.protocol, one.seen, one.allocated) for one in stayed if scheduled)
    weeks = (26.0, 52.0) if scheduled else (26.0, None)
    return Findings(
        seen, (), (), None, (), (), (), (), (), (), (), stayed=stayed, primary_week=weeks[0], last_week=weeks[1]
    )


USUAL = Stayed("usual", 30, 29, 28, 25, 7, (("no reason recorded", 4), ("withdrew", 2), ("moved away", 1)))
EARLY = Stayed("early", 30, 30, 30, 30, 0, ())


def test_each_protocol_is_told_with_its_losses_and_their_reasons():
    said = found(USUAL, EARLY)
    assert flow_title(said) == "At week 26, 55 of 60 patients were seen: usual 25/30, early 30/30"
    assert flow_words(said, PAIN) == (
        "Flow of 60 patients. Started means with a baseline, seen means at week 26 with a value of pain. Usual: 30 allocated, 29 "
        "started, 25 seen, 7 lost by week 52 (no reason recorded 4, withdrew 2, other reasons 1); early: 30 allocated, 30 "
        "started, 30 seen, 0 lost by week 52."
    )
    boxes = flow_boxes(said)
    assert boxes["usual"] == [
        ["usual", "allocated: 30"], ["with a baseline: 29"], ["seen at week 26: 25"],
        ["lost by week 52: 7", "– no reason: 4", "– withdrew: 2", "– other reasons: 1"],
    ]  # fmt: skip
    assert [len(one) for one in boxes.values()] == [4, 4]


@pytest.mark.parametrize(
    ("stayed", "title"),
    [
        ((EARLY,), "All 30 patients were seen at week 26"),
        ((Stayed("early", 1, 1, 1, 1, 0, ()),), "The patient was seen at week 26"),
        ((USUAL,), "At week 26, 25 of 30 patients were seen"),
        ((Stayed("early", 2, 2, 2, 0, 2, (("withdrew", 2),)),), "At week 26, none of 2 patients were seen"),
    ],
)  # fmt: skip
def test_the_title_counts_all_one_and_none(stayed, title):
    assert flow_title(found(*stayed)) == title


def test_without_a_schedule_nobody_is_said_to_be_lost():
    said = found(dataclasses.replace(USUAL, seen=None, lost=None, reasons=()), scheduled=False)
    assert flow_title(said) == "After the baseline, 28 of 30 patients were seen"
    assert "lost" not in flow_words(said, PAIN)
    assert [len(boxes) for boxes in flow_boxes(said).values()] == [3]


def test_the_slide_tells_of_the_week_of_the_comparison_and_not_of_the_last_one_alone(study_in_memory):
    """All of early miss week 52 and half miss week 26; three of them withdrew."""
    cohort = plant(
        patients=20,
        lose=lambda name, week, value, rng: name == "early" and (week == 52 or (week == 26 and value > 1.8)),
    )
    ids = cohort.patients.loc[cohort.patients["protocol"] == "early", "patient_id"].tolist()[:3]
    events = pd.DataFrame({"patient_id": ids, "week": 30.0, "event": "withdrew"})
    study = study_in_memory(dataclasses.replace(cohort, events=events), imputations=2, design="randomised")
    figure = next(iter(comparison.flow(study)))
    at = study.missing.table.set_index(["protocol", "week"])["seen"]
    seen = int(at["early", 26.0])
    assert 0 < seen < 20
    assert figure.message == f"At week 26, {20 + seen} of 40 patients were seen: usual 20/20, early {seen}/20"
    assert "20 allocated, 20 started" in figure.alt
    assert figure.alt.endswith("20 lost by week 52 (no reason recorded 17, withdrew 3).")
