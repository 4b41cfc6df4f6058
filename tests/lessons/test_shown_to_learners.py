"""What learners see: few digits and units, numbers not rounded, guesses looked back on."""

import re
import sys

import numpy as np
import pandas as pd
import pytest

from analysis.lessons import start_lesson
from analysis.lessons.exercises import ChoiceExercise
from analysis.lessons.lesson_table import LessonTable, lesson_table
from analysis.lessons.progress import Progress

from .lesson_runs import LONG


@pytest.fixture
def table():
    frame = pd.DataFrame({"patient_id": ["p0001", "p0002"], "change": [-1.23456789, None], "p_value": [1e-9, 0.04321]})
    return lesson_table(frame, "Changes.", {"change": "points"}, 2)


def test_a_table_is_shown_with_units_and_few_digits_and_keeps_its_numbers(table):
    shown = table._repr_mimebundle_()
    assert set(shown) == {"text/plain", "text/html"}
    for text in shown.values():
        assert "change (points)" in text
        assert "-1.23" in text
        assert "<" in text
        assert not LONG.search(text)
    assert "Changes." in shown["text/plain"]
    assert len(re.findall(r"<t[hd][^>]*text-align:left[^>]*>(?:patient_id|p0001|p0002)<", shown["text/html"])) == 3
    assert table["change"].iloc[0] == -1.23456789


def test_parts_of_a_table_are_shown_alike(table):
    for part in (table.head(1), table.query("change < 0"), table[["patient_id", "change"]]):
        assert isinstance(part, LessonTable)
        assert "change (points)" in part._repr_mimebundle_()["text/plain"]
    renamed = table.rename(columns={"change": "gain"})
    assert "-1.235" in renamed._repr_mimebundle_()["text/plain"]


def test_a_number_of_a_table_can_be_copied_into_a_cell(table):
    text = table.head(1)[["change"]]._repr_mimebundle_()["text/plain"].splitlines()[-1]
    assert float(text) == -1.23


def test_numbers_are_shown_short_in_a_notebook_only(monkeypatch):
    from IPython.core.formatters import DisplayFormatter

    class Shell:
        display_formatter = DisplayFormatter()

    with pd.option_context("display.precision", 6):
        start_lesson(1)
        assert pd.get_option("display.precision") == 6
        monkeypatch.setattr(sys.modules["IPython"], "get_ipython", Shell)
        start_lesson(1)
        assert pd.get_option("display.precision") == 3
    show = Shell.display_formatter.formatters["text/plain"]
    assert show((100.11188008, np.float64(0.40573484), 12345.678, 3)) == "(100.1, 0.4057, 12346, 3)"


def test_a_guess_that_was_off_is_set_beside_the_answer_and_what_it_teaches(tmp_path):
    lesson = start_lesson(1, folder=tmp_path)
    assert lesson.guess("old_limb", pd.Series([100 * 0.9 / 0.85])).hint == (
        "Your guess is 105.9. Now run the next cells and see."
    )
    told = lesson.look_back("old_limb")
    assert str(told).startswith("• Compare. You guessed 105.9, and it is 76.5 %. You divided.")
    assert "So 90 % symmetry can go with" in told.hint
    lesson.guess("old_limb", 40)
    assert "Too low" not in lesson.look_back("old_limb").hint
    lesson.guess("old_limb", 76.5)
    assert str(lesson.look_back("old_limb")).startswith("✓ Right. You guessed 76.5. So 90 %")


def test_a_guessed_letter_is_answered_with_the_right_one(tmp_path):
    lesson = start_lesson(1, folder=tmp_path)
    lesson.exercises = {"one": ChoiceExercise("Which?", "b", {"a": "Not a line.", "b": "It bends."})}
    lesson.guess("one", "a")
    assert lesson.look_back("one").hint == "You guessed a. Not a line. The answer is b. It bends."
    assert Progress(tmp_path).of(1)["one"]["guess"]


def test_a_decimal_comma_is_explained(lesson_of):
    told = lesson_of(1).exercises["symmetry"].judge((1, 5))
    assert told.verdict == "absurd"
    assert "write a point and no comma" in told.hint


def test_the_histogram_of_lesson_5_holds_every_patient(lesson_of):
    for seed in (1, 2, 3):
        counts = lesson_of(5, seed)._threshold_figure(12).table.data
        assert [counts[name].astype(int).sum() for name in ("usual", "new")] == [300, 300]


def test_the_borrowed_threshold_is_named_as_borrowed(lesson_of):
    notes = " ".join(lesson_of(5).responder_table(11.5).notes)
    assert "found in several knee conditions, not named as ligament reconstruction" in notes


def test_what_is_still_open_is_named_by_the_numbers_of_the_exercises(tmp_path):
    lesson = start_lesson(2, folder=tmp_path)
    for name in ("patients", "between", "own_weight", "moves_most"):
        exercise = lesson.exercises[name]
        lesson.check(name, getattr(exercise, "truth", None) or exercise.right)
    assert "4 of 5 exercises done. Still open: exercise 2." in lesson.finish().hint
