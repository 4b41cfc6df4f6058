"""The words of the exercises, one TOML file a lesson, put together with what the data give."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import Any

from analysis.lessons.exercises import ChoiceExercise, Exercise, NumberExercise


@dataclass(frozen=True)
class Numbers:
    """What the data give to an exercise whose answer is a number.

    Parameters
    ----------
    truth : float
        The answer.
    tolerance : float
        Distance that still counts as right.
    between : tuple of float
        What the answer can be at all.
    wrong : tuple of float
        What the mistakes lead to that have a hint, in the order of the hints.
    words : mapping of str to object
        What stands in the braces of the words.
    """

    truth: float
    tolerance: float
    between: tuple[float, float]
    wrong: tuple[float, ...] = ()
    words: Mapping[str, object] = field(default_factory=dict)


#: By name of exercise; of one whose answer is a letter only what stands in the braces of its words, where it has braces.
Answers = Mapping[str, Numbers | Mapping[str, object]]


def read_exercises(name: str, answers: Answers) -> dict[str, Exercise]:
    """Read the exercises of a lesson and fill in what the data give.

    Parameters
    ----------
    name : str
        Name of the file in ``analysis/lessons/course``, without its ending: a table an exercise, with question, unit, wrong
        (a hint a mistake), hint, explanation and way; either_sign where "by how many" is asked; or question,
        right (a letter), options and said (by letter), hint and way.
    answers : mapping
        What the data give.

    Returns
    -------
    dict of str to Exercise
        In the order of the file.
    """
    return {one: _exercise(said, answers.get(one, {})) for one, said in _read(name).items()}


def exercise_names(name: str) -> tuple[str, ...]:
    """Name the exercises of a lesson, in the order of its file.

    Parameters
    ----------
    name : str
        Name of the file, without its ending.
    """
    return tuple(_read(name))


def _read(name: str) -> dict[str, Any]:
    text = resources.files("analysis.lessons.course").joinpath(f"{name}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _exercise(said: dict[str, Any], given: Numbers | Mapping[str, object]) -> Exercise:
    if not isinstance(given, Numbers):
        return ChoiceExercise(**_filled(said, given))
    words = _filled(said, given.words)
    wrong = tuple(zip(given.wrong, words.pop("wrong", ()), strict=True))
    unit = words.pop("unit", "")
    return NumberExercise(words.pop("question"), given.truth, given.tolerance, unit, *given.between, wrong, **words)


def _filled(said: Any, words: Mapping[str, object]) -> Any:
    if isinstance(said, str):
        return said.format(**words)
    if isinstance(said, list):
        return [_filled(one, words) for one in said]
    if isinstance(said, bool):
        return said
    return {name: _filled(one, words) for name, one in said.items()}
