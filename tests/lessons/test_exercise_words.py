"""The words of the exercises stand in one file a lesson; code gives the numbers and no words."""

import tomllib
from importlib import resources

import pytest

from analysis.lessons.course.lesson_list import LESSONS
from analysis.lessons.exercise_words import Numbers, read_exercises
from analysis.lessons.source import lesson_outlines

WORDS = {
    number: tomllib.loads(
        resources.files("analysis.lessons.course")
        .joinpath(f"{lesson.__module__.rpartition('.')[2]}.toml")
        .read_text(encoding="utf-8")
    )
    for number, lesson in LESSONS.items()
}


def test_the_file_of_a_lesson_has_the_exercises_of_its_notebook_in_their_order():
    asked = {lesson.number: lesson.exercises for lesson in lesson_outlines()}
    assert {number: tuple(words) for number, words in WORDS.items()} == asked


@pytest.mark.parametrize("number", LESSONS)
def test_every_exercise_says_something_to_every_answer(number):
    for name, said in WORDS[number].items():
        wanted = (
            {"question", "right", "said", "options", "hint"}
            if "right" in said
            else {"question", "hint", "explanation", "way"}
        )
        assert wanted <= set(said), name
        assert set(said) <= wanted | {"unit", "wrong", "way", "either_sign"}, name


def test_a_mistake_without_a_hint_or_a_brace_without_a_number_stops_the_lesson():
    known = {"old_limb": Numbers(76.5, 0.1, (0, 130), (90.0,))}
    with pytest.raises(ValueError, match="zip"):
        read_exercises("lesson_1_measuring", known)
    known = {"old_limb": Numbers(76.5, 0.1, (0, 130), (90.0, 75.0, 105.9, 87.5))}
    known |= {"symmetry": Numbers(90.0, 0.1, (0, 250), (1.0, 2.0, 3.0, 4.0))}
    with pytest.raises(KeyError, match="of_before"):
        read_exercises("lesson_1_measuring", known)
