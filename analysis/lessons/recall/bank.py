"""The bank of questions on what the lessons taught."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources

from analysis.lessons.exercises import ChoiceExercise


@dataclass(frozen=True)
class Question:
    """A question on a lesson.

    Parameters
    ----------
    name : str
        Its name in the bank.
    lesson : int
        The lesson that taught it.
    exercise : ChoiceExercise
        The question with its options.
    """

    name: str
    lesson: int
    exercise: ChoiceExercise


@cache
def question_bank() -> tuple[Question, ...]:
    """Read all questions, lesson by lesson.

    Examples
    --------
    >>> question_bank()[0].exercise.question
    'By what does the limb symmetry index divide the involved limb?'
    """
    text = resources.files("analysis.lessons.recall").joinpath("bank.toml").read_text(encoding="utf-8")
    return tuple(Question(name, one.pop("lesson"), ChoiceExercise(**one)) for name, one in tomllib.loads(text).items())
