"""Doubts of a comparison: what losses, other assumptions and the home programme take from a finding, and what they do not."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t

from analysis.report import Figure, Passage, Table, comparison

from .planted import better, off_schedule, plant, share


def test_without_a_schedule_nothing_is_said_of_who_was_missed(study_in_memory):
    cohort = off_schedule(plant(14, lose=share({"usual": 0.1, "early": 0.6})))
    study = study_in_memory(cohort, imputations=2, design="randomised")
    (answer,) = comparison.answer(study)
    assert (
        "Who was missed is not known, as no visit was scheduled at the week of the comparison." in answer.paragraphs[-2]
    )
    said = str(
        [comparison.missing(study), comparison.sensitivity(study), comparison.flow(study), comparison.checklist(study)]
    )
    assert "Every patient was seen" not in said
    assert "nobody was lost" not in said


def test_what_other_assumptions_turn_is_not_said_to_be_not_found(study_in_memory):
    """The doubts look at the same analyses as the differences; the difference of this cohort is at the edge."""
    cohort = plant(7, effect=better(0.08, (12, 26, 52)), lose=share({"usual": 0.2, "early": 0.25}))
    (answer,) = comparison.answer(study_in_memory(cohort, imputations=2, design="randomised"))
    *_, doubts, _ = answer.paragraphs
    assert doubts.startswith("Analyses with other assumptions about missing visits change the answer for early (")
    assert "Looked for and not found" not in doubts


def test_of_a_measure_with_an_ideal_every_direction_says_up_to_where(study_in_memory):
    study = study_in_memory(plant(10, measure="knee_extension", effect=better(4.0)), imputations=2, design="randomised")
    shown = [
        one for section in (comparison.differences(study), comparison.responder_analysis(study)) for one in section
    ]
    words = str(
        [
            one.to_json() if isinstance(one, Table) else (one.caption if isinstance(one, Figure) else str(one))
            for one in shown
        ]
    )
    assert "differences are better for the protocol named, up to a mean of 0." in words
    assert "above the line is better for early, up to a mean of 0" in words
    assert "For each amount of improvement in knee extension (how much nearer to 0) by week 26" in words
    assert (
        "Improvement is how much nearer to 0 a patient has come; the curves and their differences are of the" in words
    )
    assert "Improvement means at least 5.4 deg nearer to 0 than at baseline, from either side" in words
    assert "higher is better, up to 0" in str(comparison.methods(study))
    said = str(comparison.answer(study))
    assert "knee extension had come nearer to 0 by 5.4 deg or more (minimal detectable change) in " in said
    assert "no better" not in said


def test_a_shift_that_would_take_the_difference_away_is_told_without_favour_where_nobody_drew_lots(study_in_memory):
    cohort = plant(4, effect=better(0.12), lose=share({"usual": 0.12, "early": 0.2}))
    said = {}
    for design in ("randomised", "observational"):
        study = study_in_memory(cohort, imputations=3, design=design)
        (answer,) = comparison.answer(study)
        said[design] = "\n".join(answer.paragraphs)
    assert "These data favour early over usual." in said["randomised"]
    assert all(
        "he interval would hold no difference were the missed values on average" in text for text in said.values()
    )
    assert "favour" not in said["observational"]
    assert "By the curves, the interval would hold" in said["observational"]


def test_other_assumptions_are_judged_by_the_intervals_adjusted_as_that_of_the_verdict(study_in_memory):
    """Of three protocols: the limits of the model are those of In short, and the shift told takes these to zero."""
    three = ("usual", "early", "late")
    cohort = plant(4, protocols=three, effect=better(0.15), lose=share({"usual": 0.12, "early": 0.2, "late": 0.1}))
    study = study_in_memory(cohort, imputations=3, design="randomised")
    primary, found = study.primary.astype({"protocol": str}).set_index("protocol"), study.sensitivity
    limits = found.analyses.differences.query("analysis == 'mixed model'").set_index("protocol")[["lower", "upper"]]
    for name in three[1:]:
        assert limits.loc[name].tolist() == pytest.approx(
            primary.loc[name, ["adjusted_lower", "adjusted_upper"]].tolist()
        )
    assert found.responders.responders["level"].eq(0.95).all()
    rows = found.tipping.table.query("protocol == 'early'")
    lower = rows["difference"] - t.ppf(1 - 0.05 / 4, rows["df"]) * rows["std_error"]
    shift = float(np.interp(0.0, lower, rows["delta"]))
    (answer,) = comparison.answer(study)
    assert shift < 0
    assert f"were the missed values on average {-shift:.2f} N·m/kg lower with early" in answer.paragraphs[-2]
    said = [str(one) for one in comparison.sensitivity(study) if isinstance(one, Passage)]
    assert (
        said[0] == "Intervals of means here are adjusted for 2 comparisons, as in In short: each 97.5 %, together 95 %."
    )


@pytest.mark.parametrize("done", [0.0, pytest.param(2.5, marks=pytest.mark.slow)])
def test_home_sessions_hardly_done_are_a_doubt(study_in_memory, done):
    """Five sessions a week were prescribed to six patients over four weeks."""
    cohort = plant(patients=20)
    ids = cohort.patients["patient_id"].tolist()
    rows = [
        (one, week, "exercise", 5.0, done if one[0] == "e" else 5.0)
        for one in (*ids[:3], *ids[-3:])
        for week in range(1, 5)
    ]
    columns = ["patient_id", "week", "modality", "sessions_prescribed", "sessions_done"]
    study = study_in_memory(
        dataclasses.replace(cohort, sessions=pd.DataFrame(rows, columns=columns)), design="randomised"
    )
    said = next(iter(comparison.answer(study))).paragraphs[-2]
    words = f"Less than half of the home sessions prescribed were done: exercise with early {12 * done:.0f} of 60."
    assert (words in said) == (done < 2.5)
    assert ("Looked for and not found" in said) == (done == 2.5)
    assert ("less than half of the home sessions done" in said) == (done == 2.5)
