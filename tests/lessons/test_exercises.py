"""The checker: right, near, wrong and absurd answers to every exercise of every lesson."""

import math
import re

import numpy as np
import pandas as pd
import pytest

from analysis.errors import ReportError
from analysis.lessons.exercises import ChoiceExercise, NumberExercise
from analysis.lessons.feedback import NotAnsweredYet
from analysis.lessons.source import lesson_outlines

from .lesson_runs import NUMBERS, cells_of


@pytest.fixture
def share():
    return NumberExercise(
        "How many per cent?", 40.0, 0.5, "%", 0, 100, wrong=((60.0, "That is the rest."),), hint="Divide."
    )


def test_a_right_answer_may_be_rounded_and_of_any_kind_of_number(share):
    for answer in (40, 40.4, np.float64(39.6), np.int64(40), pd.Series([40.0]), pd.DataFrame({"a": [40.1]})):
        assert share.judge(answer).verdict == "right"


def test_hints_depend_on_the_answer(share):
    assert share.judge(60.2).hint == "That is the rest."
    assert share.judge(0.40).hint == "You gave a share. It is asked for in %: multiply by 100."
    assert share.judge(41.5).verdict == "near"
    assert share.judge(70).hint == "Too high."
    assert (share.judge(10).hint, share.judge(10).helps) == ("Too low.", ("Divide.",))
    assert share.judge(130).verdict == "absurd"
    assert "between 0 and 100 %" in share.judge(130).hint


def test_a_turned_sign_is_recognised():
    assert "sign" in NumberExercise("?", 3.0, 0.1, "points", -10, 10).judge(-3.0).hint


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ("40 %", "text"), (math.nan, "divided by zero"), (math.inf, "divided by zero"), (True, "One number"),
        ([40, 41], "several values"), (pd.Series([1.0, 2.0]), "several values"), (print, "One number"),
    ],
)  # fmt: skip
def test_absurd_answers_are_told_what_they_are(share, answer, words):
    told = share.judge(answer)
    assert told.verdict == "absurd"
    assert words in told.hint


@pytest.mark.parametrize("nothing", [..., None, "", "  "])
def test_nothing_given_stops_kindly(share, nothing):
    with pytest.raises(NotAnsweredYet, match=r"^Your turn\. How many per cent\? Put your answer") as stopped:
        share.judge(nothing)
    assert " ".join(stopped.value._render_traceback_()) == str(stopped.value)


def test_a_letter_has_words_of_its_own():
    choice = ChoiceExercise("Which?", "b", {"a": "Look at the mean.", "b": "Yes."})
    assert choice.judge(" (B) ").verdict == "right"
    assert (choice.judge("a").verdict, choice.judge("a").hint) == ("wrong", "Look at the mean.")
    assert choice.judge("c").verdict == choice.judge(2).verdict == "absurd"


def test_hints_are_folded_one_inside_the_other_the_solution_is_not_shown_before_the_answer_is_right():
    exercise = NumberExercise("?", 40.0, 0.5, "%", 0, 100, hint="Divide.", way="a <b> divided by all.")
    shown = exercise.judge(70)._repr_html_()
    assert shown.index("A hint</summary>") < shown.index("Divide.") < shown.index("A further hint</summary>")
    assert shown.index("A further hint") < shown.index("a &lt;b&gt; divided") < shown.index("</details></p></details>")
    assert "40" not in shown
    assert "<b>" not in shown
    assert "The answer is 40 %." in exercise.judge(40)._repr_html_()


def test_a_choice_rules_out_one_more_option_and_never_the_right_one():
    choice = ChoiceExercise(
        "?", "c", {"a": "Not so.", "b": "Nor so.", "c": "So.", "d": "No."}, hint="Read the last line."
    )
    assert choice.judge("a").helps == ("Read the last line.", "It is not b. Nor so.")
    assert choice.judge("b").helps == ("Read the last line.", "It is not a. Not so.")
    assert choice.judge("c").helps == ()


def test_by_how_many_takes_the_size_with_either_sign():
    exercise = NumberExercise(
        "By how many?", -4.85, 0.06, "degrees", -60, 60, explanation="It stays.", either_sign=True
    )
    assert (exercise.judge(4.85).verdict, exercise.judge(4.85).hint) == (
        "right",
        "With its sign it is -4.85. It stays.",
    )
    assert exercise.judge(-4.85).hint == "It stays."
    assert exercise.judge(5.3).verdict == "wrong"
    known = NumberExercise("?", -4.85, 0.06, "", -60, 60, wrong=((4.85, "That is another one."),), either_sign=True)
    assert known.judge(4.85).hint == "That is another one."


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("number", NUMBERS)
def test_every_exercise_takes_right_near_wrong_and_absurd_answers(lesson_of, number, seed):
    lesson = lesson_of(number, seed)
    assert tuple(lesson.exercises) == lesson_outlines()[number - 1].exercises
    for name, exercise in lesson.exercises.items():
        if isinstance(exercise, ChoiceExercise):
            assert [exercise.judge(one).verdict for one in exercise.said].count("right") == 1, name
            assert len(set(exercise.said.values())) == len(exercise.said) >= 3, name
            assert list(exercise.options) == list(exercise.said), name
            assert exercise.hint, name
            continue
        assert exercise.lowest < exercise.truth < exercise.highest, name
        assert exercise.judge(exercise.truth).verdict == "right", name
        assert exercise.judge(exercise.highest * 1000 + 1e6).verdict == "absurd", name
        assert len(exercise.wrong) >= 3, name
        told = {exercise.judge(value).hint for value, _ in exercise.wrong if exercise.judge(value).verdict != "right"}
        assert told <= {hint for _, hint in exercise.wrong}, name
        assert len(told) >= 2, name
        far = exercise.truth + 3 * exercise.tolerance
        assert exercise.judge(far).verdict in ("near", "wrong", "absurd"), name


@pytest.mark.parametrize("number", NUMBERS)
def test_another_seed_gives_other_answers(lesson_of, number):
    truths = [
        tuple(one.truth for one in lesson_of(number, seed).exercises.values() if isinstance(one, NumberExercise))
        for seed in (1, 2)
    ]
    assert truths[0] != truths[1]


def test_an_unknown_exercise_or_lesson_is_named(lesson_of):
    from analysis.lessons import start_lesson

    with pytest.raises(ReportError, match="There is no exercise 'nothing'"):
        lesson_of(1).check("nothing", 1)
    with pytest.raises(ReportError, match="There is no lesson 99"):
        start_lesson(99)
    with pytest.raises(NotAnsweredYet, match="run the cell with the guess again"):
        lesson_of(1, 7).look_back("old_limb")


EXAMPLE = re.compile(
    r"^answer = \.\.\.  #.*?for example ([^;\n]+).*?^lesson\.(?:check|guess)\(\"(\w+)\"", re.MULTILINE | re.DOTALL
)


@pytest.mark.parametrize("number", NUMBERS)
def test_the_example_of_a_task_is_not_its_answer(lesson_of, number):
    found = [match for cell in cells_of(number) for match in EXAMPLE.findall(cell.text)]
    for seed in (1, 2, 3):
        lesson = lesson_of(number, seed)
        for example, name in found:
            given = eval(example, {"lesson": lesson})
            assert lesson.exercises[name].judge(given).verdict != "right", (name, example)
    assert found or number > 5
