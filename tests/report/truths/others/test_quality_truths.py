"""What In short and the slides of a quality report must say of small cohorts whose truth is planted, and what they must not."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort, check_cohort
from analysis.report import quality
from analysis.report.quality import study as study_module

from ..grammar import faults
from ..planted import plant
from ..test_grammar import sentences_of


def plant_visits(by_patient, *, measure="pain", limb="none"):
    """Make a cohort of visits at weeks 0, 6 and 12: {patient: values in this order, None where not seen}."""
    rows = [
        (one, week, measure, limb, value)
        for one, values in by_patient.items()
        for week, value in zip((0.0, 6.0, 12.0), values, strict=False)
        if value is not None
    ]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "measure", "limb", "value"])
    people = {"patient_id": list(by_patient), "protocol": ["usual", "early"] * len(by_patient)}
    people["protocol"] = people["protocol"][: len(by_patient)]
    return Cohort(pd.DataFrame(people | {"site": "north"}), visits)


def alike(number, *values):
    return {f"p{k:02d}": values for k in range(number)}


NO_RULE = "No rule for impossible values is about what was measured"
#: Cohort, what In short must say, what nothing may say, and the title of the slide of completeness.
TRUTHS = {
    "three patients": (
        lambda: plant_visits({"a": (5, 4, 3), "b": (6, 2, None), "c": (3, 8, 1)}),
        ["The check found no error and no warning.", "Of 9 expected values 8 are there (89 %); fewest at week 12, 67 %.",
         "Of 3 patients 1 is lost", "early 1/1, usual 0/2", f"{NO_RULE}, and no change could be judged."],
        ["0 warnings", "none is impossible", "Of 0"], "Fewest values are there for pain at week 12",
    ),
    "every value impossible": (
        lambda: plant_visits(alike(12, 400, 401, 402), measure="knee_flexion", limb="involved"),
        ["The check found 36 errors", "All 36 expected values are there.", "Of 24 changes judged none is unlikely.",
         f"{NO_RULE}, so none was judged by one."],
        ["none is impossible", "fewest", "Fewest", "can be used"], "All 36 expected values are there",
    ),
    "one visit only": (
        lambda: plant_visits(alike(8, 5)),
        ["The check found no error and 1 warning", "All 8 expected values are there.",
         "No visit after the start is scheduled, so nobody can be lost."],
        ["none is lost", "came back", "fewest"], "All 8 expected values are there",
    ),
    "back and gone": (
        lambda: plant_visits(alike(10, 5, 4, 3) | {"x": (5, None, 4), "y": (5, None, 4)}),
        ["Of 12 patients none is lost before the last scheduled week; 2 missed a visit and came back.", "the cohort can be used"],
        ["of these before"], "Fewest values are there for pain at week 6",
    ),
    "back and gone again": (
        lambda: _without(plant(3, patients=12, measure="pain"), {"u00000": (6, 26, 52), "u00001": (6,), "e10000": (52,)}),
        ["Of 24 patients 2 are lost before the last scheduled week; 2 missed a visit and came back, 1 of these before being lost."],
        [], "Fewest values are there for pain at week 6",
    ),
}  # fmt: skip


def _without(cohort, missed):
    visits = cohort.visits
    gone = np.logical_or.reduce([
        (visits["patient_id"] == one) & visits["week"].isin(weeks) for one, weeks in missed.items()
    ])  # fmt: skip
    return Cohort(cohort.patients, visits[~gone])


@pytest.mark.parametrize(
    "name", [pytest.param(one, marks=[pytest.mark.slow] if one == "back and gone" else []) for one in TRUTHS]
)
def test_what_must_be_said_is_said_and_what_must_not_is_not(name, monkeypatch):
    make, must, must_not, title = TRUTHS[name]
    cohort = replace(make(), privacy="limited")
    monkeypatch.setattr(study_module, "load_with_findings", lambda folder: (cohort, check_cohort(cohort)))
    study = quality.prepare_check("in memory")
    (answer,) = quality.answer(study)
    figure = next(iter(quality.completeness(study)))
    said = "\n".join(answer.paragraphs)
    assert [words for words in must if words not in said] == []
    assert [words for words in must_not if words in "\n".join([said, figure.message, figure.alt])] == []
    assert figure.message == title
    listed = [text for part in quality.findings(study) for text in sentences_of(part)]
    assert [wrong for text in (*answer.paragraphs, figure.alt, *listed) for wrong in faults(text)] == []
