"""Knee extension of patients on both sides of straight, whose mean is near it though none of them is."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.report import comparison

from .planted import better, plant


def both_sides(low, high, seed=5):
    """Usual as planted, about 1.5 degrees short at week 26; of early every other patient ends at each of two values."""
    cohort = plant(seed, measure="knee_extension")
    visits, rng = cohort.visits.copy(), np.random.default_rng(seed)
    early = cohort.patients.loc[cohort.patients["protocol"] == "early", "patient_id"]
    for end, those in ((low, early.iloc[::2]), (high, early.iloc[1::2])):
        later = visits["patient_id"].isin(those) & (visits["week"] > 0)
        visits.loc[later, "value"] = np.round(end + rng.normal(0, 0.8, later.sum()))
    return replace(cohort, visits=visits)


@pytest.mark.parametrize(("low", "high"), [(-8.0, 7.4), (-5.0, 4.6)])
def test_no_protocol_is_favoured_by_means_that_hide_both_sides(study_in_memory, low, high):
    """By the mean early lies nearer to straight, and hardly a patient of it does."""
    study = study_in_memory(both_sides(low, high), imputations=2, design="randomised")
    (answer,) = comparison.answer(study)
    verdict = answer.paragraphs[1]
    assert verdict.startswith(
        "Which of early and usual is better is not said: patients lie on both sides of 0, on average"
    )
    far = (
        study.visits.query("week == 26")
        .assign(far=lambda one: one["value"].abs())
        .groupby("protocol", observed=True)["far"]
    )
    own, other = far.mean()["early"], far.mean()["usual"]
    assert f"on average {own:.1f} deg from it with early and {other:.1f} deg with usual." in verdict
    said = " ".join(answer.paragraphs)
    assert not any(word in said for word in ("favour", "(better)", "(worse)"))
    counted = study.responders[0].table.set_index("protocol")["responders"]
    assert counted["early"] < counted["usual"] / 2
    assert f"({counted['early']}/60) with early" in said
    titles = [one.message for one in comparison.differences(study) if getattr(one, "message", "")]
    assert titles == ["Early, week 26: values beyond the best one"]


@pytest.mark.parametrize("start", [{"early": -3.0}, {"early": 1.5}])
def test_of_values_on_one_side_distances_and_means_are_the_same(study_in_memory, start):
    """Also where groups begin apart, so that adjusted and plain differences of means do not agree."""
    cohort = plant(2, measure="knee_extension", start=start, effect=better(2.8))
    cohort = replace(cohort, visits=cohort.visits.assign(value=cohort.visits["value"] - 15.0))
    study = study_in_memory(cohort, imputations=2, design="randomised")
    (answer,) = comparison.answer(study)
    assert answer.paragraphs[1].startswith("These data favour early over usual.")


def test_a_few_beyond_take_no_verdict_away(study_in_memory):
    """Of a group whose mean nears straight some always go past it by a degree or two."""
    study = study_in_memory(plant(1, measure="knee_extension", effect=better(1.5)), imputations=2, design="randomised")
    (answer,) = comparison.answer(study)
    assert (study.visits.query("week == 26")["value"] > 0).sum() > 20
    assert answer.paragraphs[1].startswith("These data favour early over usual.")
