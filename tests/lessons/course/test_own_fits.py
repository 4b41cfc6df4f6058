"""Exercises in which the learner calls the kit: the answers are those of the folder that is loaded."""

import pytest

from analysis import choose_endpoint, fit_recovery, load_cohort, responders
from analysis.lessons import start_lesson
from analysis.lessons.feedback import NotAnsweredYet


def test_the_fit_of_the_folder_gives_the_answers_of_lesson_3(tmp_path):
    lesson = start_lesson(3, folder=tmp_path)
    curves = fit_recovery(load_cohort(lesson.cohort_folder), "knee_flexion")
    means = curves.means()
    shown = means[(means["protocol"] == "exercise only") & (means["week"] == 12)]["estimate"].round(1).item()
    assert lesson.check("own_fit", shown).verdict == "right"
    residuals = curves.model.residuals()["decorrelated"]
    assert lesson.check("outside", round(100 * (residuals.abs() > 1.96).mean(), 1)).verdict == "right"
    assert "You made RecoveryCurves." in lesson.called(curves).hint
    assert lesson.called(4).verdict == "wrong"
    with pytest.raises(NotAnsweredYet):
        lesson.called(...)


def test_the_responders_of_the_folder_give_the_answer_of_lesson_4(tmp_path):
    lesson = start_lesson(4, folder=tmp_path)
    cohort = load_cohort(lesson.cohort_folder)
    table = responders(cohort, choose_endpoint(cohort, "knee_flexion", week=26)).table.set_index("protocol")
    assert lesson.check("own_share", 100 * table.loc["home stimulation", "share"]).verdict == "right"
    assert "allocated" in lesson.check("own_share", 100 * table.loc["home stimulation", "responders"] / 50).hint


def test_a_folder_that_is_there_is_kept(tmp_path):
    folder = start_lesson(3, folder=tmp_path).cohort_folder
    (folder / "mine.txt").write_text("mine", encoding="utf-8")
    assert start_lesson(3, folder=tmp_path).cohort_folder == folder
    assert (folder / "mine.txt").exists()
    assert start_lesson(3, seed=2, folder=tmp_path).cohort_folder != folder


@pytest.mark.slow
def test_about_5_per_cent_of_residuals_lie_beyond_the_lines_over_many_seeds(tmp_path):
    """What lesson 3 says of a model that fits: 30 seeds, about 700 visits each; 5 % with an error of a mean of 0.2."""
    shares = [start_lesson(3, seed=seed, folder=tmp_path).exercises["outside"].truth for seed in range(1, 31)]
    assert sum(shares) / len(shares) == pytest.approx(5, abs=0.8)
    assert max(shares) < 8
