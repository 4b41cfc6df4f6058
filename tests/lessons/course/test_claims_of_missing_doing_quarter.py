"""What lessons 6 to 8 claim: about who is missing, about adherence, and about quarters; over many seeds where by chance."""

import re

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.lessons.course.lesson_6_absent import GOAL, LAST, PATIENTS, TRUE_DIFFERENCE
from analysis.lessons.course.lesson_7_doing import EFFECT, STEPS, STORY
from analysis.lessons.course.lesson_8_quarter import CASE_MIX, HARMLESS, OTHER_CLINIC, RATES
from analysis.quarter.over_time.control_charts import p_chart
from analysis.quarter.sites.funnel import BEYOND_998, WITHIN

from ..lesson_runs import text_of

pytestmark = pytest.mark.slow

SEEDS = range(1, 7)


@pytest.fixture(scope="module")
def errors(lesson_of):
    """Errors of the three ways at week 52, means over the seeds, by what drop-out depends on."""
    tables = [lesson_of(6, seed).errors.set_index("drop-out depends on") for seed in SEEDS]
    return sum(tables) / len(tables)


def test_errors_by_mechanism_are_what_the_lesson_says(errors):
    # a mean of 400 knees with a standard deviation of 10 errs by 0.5; half of them seen, six seeds: 0.3
    seen, carried, model = (errors[way] for way in errors)
    assert abs(seen["chance alone"]) < 0.9
    assert seen["what was seen"] > 3
    assert seen["what was not seen"] > 3
    assert (carried < -2).all()
    assert abs(model["chance alone"]) < 0.9
    assert abs(model["what was seen"]) < 0.9
    assert 0.7 < model["what was not seen"] < seen["what was not seen"] - 2


def test_half_come_and_knees_differ_by_ten_degrees(lesson_of):
    came = [len(lesson_of(6, seed).seen) / PATIENTS for seed in SEEDS]
    assert np.mean(came) == pytest.approx(0.5, abs=0.03)
    assert np.mean([lesson_of(6, seed).everyone.std() for seed in SEEDS]) == pytest.approx(10, abs=1)
    assert lesson_of(6).came["patients"].iloc[0] == PATIENTS
    assert lesson_of(6).came["week"].iloc[-1] == LAST
    assert f"reached {GOAL} degrees at week {LAST}" in text_of(6)


def test_smallest_and_largest_share_hold_the_share_of_all(lesson_of):
    for seed in SEEDS:
        lesson = lesson_of(6, seed)
        low = lesson.exercises["lowest_share"].truth
        high = low + 100 * (PATIENTS - len(lesson.seen)) / PATIENTS
        assert low < 100 * (lesson.everyone >= GOAL).mean() < high
        assert f"{high:.1f} %" in lesson.exercises["lowest_share"].explanation


def test_the_shift_is_the_first_at_which_the_kit_says_that_the_finding_turns(lesson_of):
    for seed in SEEDS:
        lesson = lesson_of(6, seed)
        tips, exact = lesson.exercises["tipping"].truth, float(lesson.tipping.tipping["delta"].iloc[0])
        assert tips <= exact < tips + 4
    true = lesson_of(6).trial.truth.protocol_differences.query("measure == 'knee_flexion' and week == 26")
    assert float(true["difference"].iloc[0]) == pytest.approx(TRUE_DIFFERENCE, abs=0.01)


@pytest.mark.slow
def test_those_who_did_more_mislead_and_the_allocation_does_not(lesson_of):
    # 0.20 was put in; standard error of the mean of six naive slopes 0.015, of six estimates by allocation 0.01
    naive, honest = (
        np.mean([lesson_of(7, seed)._estimates(STORY)["estimate"].iloc[row] for seed in SEEDS]) for row in (0, 1)
    )
    assert naive > EFFECT + 0.1
    assert honest == pytest.approx(EFFECT, abs=0.025)
    assert f"exactly {EFFECT:.2f} N·m/kg" in text_of(7)
    alike = np.mean([lesson_of(7, seed)._estimates("not at all")["estimate"].iloc[0] for seed in SEEDS])
    assert alike == pytest.approx(EFFECT, abs=0.06)  # without reverse causation the slope is right; standard error 0.03


def test_the_slope_rises_with_how_strongly_sessions_follow_recovery(lesson_of):
    table = lesson_of(7).estimates
    slopes = table.loc[table["way"] == "those who did more", "estimate"].tolist()
    assert len(slopes) == len(STEPS)
    assert slopes == sorted(slopes)
    assert lesson_of(7).slopes["slope"].iloc[1] == pytest.approx(lesson_of(7).slopes["slope"].iloc[0], abs=0.03)


def test_dividing_by_the_share_done_is_near_the_estimate_of_the_kit(lesson_of):
    for seed in SEEDS:
        lesson = lesson_of(7, seed)
        assert lesson.exercises["per_session_share"].truth == pytest.approx(
            lesson.by_allocation["effect"].iloc[0], abs=0.03
        )
        kept = lesson.offered[lesson.offered["share_done"] >= 0.5]["gain"].mean() - lesson.not_offered["gain"].mean()
        assert kept > lesson.exercises["offered"].truth
        assert len(lesson.offered) == pytest.approx(len(lesson.not_offered), abs=10)


def test_limit_of_a_share(lesson_of):
    """The limit asked for is that of the kit's chart of a clinic with exactly the share of the question, and the formula
    of the hint gives it; 36.76 by NIST/SEMATECH e-Handbook 6.3.3.2, p less three roots of p (1 - p) / n."""
    exercise = lesson_of(8).exercises["lower_limit"]
    share, size = map(int, re.search(r"a share of (\d+) % and (\d+) patients", exercise.question).groups())
    reached = pd.DataFrame({"period": [f"2025-Q{k}" for k in (1, 2, 3, 4)], "numerator": share * size // 100})
    chart = p_chart(reached.assign(denominator=size)).table
    assert 100 * chart["lower"].tolist()[0] == pytest.approx(exercise.truth, abs=1e-6)
    assert exercise.truth == pytest.approx(36.76, abs=0.005)
    formula = re.search(r"100 \* \(([\d.]+) - 3 \* \(([\d.]+) \* ([\d.]+) / (\d+)\) \*\* 0\.5\)", exercise.hint)
    centre, reaching, missing, patients = map(float, formula.groups())
    assert 100 * (centre - 3 * (reaching * missing / patients) ** 0.5) == pytest.approx(exercise.truth)


@pytest.mark.slow
def test_fixed_limits_find_the_fall_more_often_than_limits_that_run_along(lesson_of):
    counts = np.array(
        [[lesson_of(8, seed).moved[name].ne("").sum() for name in ("fixed", "recomputed")] for seed in range(1, 13)]
    )
    assert counts[:, 0].mean() > 2 * counts[:, 1].mean()
    assert (counts[:, 0] > 0).mean() > 0.9


def test_ends_of_the_league_table_belong_to_small_clinics(lesson_of):
    sizes = [lesson_of(8, seed).league["patients"].median() for seed in range(1, 13)]
    assert np.mean(sizes) < lesson_of(8).clinics["patients"].median()


def test_outside_the_limits_lie_the_other_clinic_and_what_chance_puts_there(lesson_of):
    other, outer, inner, last = 0, 0, 0, 0
    for seed in range(1, 25):
        table = lesson_of(8, seed).funnel.table
        is_other = table["denominator"].eq(OTHER_CLINIC)
        other += int(table.loc[is_other, "region"].eq(BEYOND_998).sum())
        outer += int(table.loc[~is_other, "region"].eq(BEYOND_998).sum())
        inner += int(table.loc[~is_other, "region"].ne(WITHIN).sum())
        last += int(lesson_of(8, seed).league["patients"].iloc[-1] == OTHER_CLINIC)
    # the other clinic lies 5 standard deviations below the whole; of 456 alike at most 1 and 23 are expected outside, and the whole
    # is a little low by the other clinic; 5 and 38 are passed in fewer than 1 of 200
    assert other >= 20
    assert outer <= 4
    assert inner <= 38
    assert last < 18


def test_north_is_ahead_in_both_kinds_and_behind_together(lesson_of):
    share = lesson_of(8).mix.pivot_table(index="patients are", columns="clinic", values="share")
    assert (share["north"] > share["south"]).all()
    together = lesson_of(8).mix_together.set_index("clinic")["share"]
    assert together["north"] < together["south"]
    north = CASE_MIX[CASE_MIX["clinic"] == "north"]
    assert (north["patients"] * north["patients are"].map(RATES)).sum() == lesson_of(8).exercises["expected"].truth


def test_rule_of_three():
    # Hanley & Lippman-Hand, JAMA 1983;249:1743 (from memory): 3 / n; exactly, the end of a one-sided Clopper-Pearson interval
    exact = stats.binomtest(0, HARMLESS, alternative="less").proportion_ci(0.95, method="exact").high
    assert 100 * exact == pytest.approx(9.50, abs=0.005)
    assert pytest.approx(exact, abs=0.006) == 3 / HARMLESS
    assert "3 divided by the number of patients" in text_of(8)
