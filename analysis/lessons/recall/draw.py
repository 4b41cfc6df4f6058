"""Which questions a lesson asks, and which the quiz: drawn by a seed, and with one seed none is asked twice."""

import numpy as np

from analysis.errors import ReportError, check_choice
from analysis.lessons.recall.bank import Question, question_bank

#: The lessons that the three questions at the start of a lesson are about: the last one, and older ones at growing distances.
ABOUT: dict[int, tuple[int, ...]] = {
    2: (1, 1, 1),
    3: (2, 2, 1),
    4: (3, 3, 2),
    5: (4, 3, 1),
    6: (5, 4, 2),
    7: (6, 5, 3),
    8: (7, 6, 4),
}
#: How many questions of the quiz are about each lesson: twenty in all.
IN_THE_QUIZ = {1: 2, 2: 2, 3: 2, 4: 3, 5: 3, 6: 3, 7: 2, 8: 3}


def recall_questions(lesson: int, seed: int = 1) -> tuple[Question, ...]:
    """Draw the questions at the start of a lesson.

    Parameters
    ----------
    lesson : int
        The lesson that asks, from 2 on.
    seed : int
        Seed of the draw; with one seed no other lesson asks the same, nor does the quiz.

    Raises
    ------
    ReportError
        The lesson asks nothing about earlier ones.

    Examples
    --------
    >>> [question.lesson for question in recall_questions(5)]
    [4, 3, 1]
    """
    check_choice(lesson, ABOUT, "lesson with questions on earlier ones", error=ReportError, where="recall_questions")
    orders = {about: _order(about, seed) for about in IN_THE_QUIZ}
    for asking, abouts in ABOUT.items():
        drawn = tuple(orders[about].pop(0) for about in abouts)
        if asking == lesson:
            break
    return drawn


def quiz_questions(seed: int = 1) -> tuple[Question, ...]:
    """Draw the twenty questions of the quiz, the lessons mixed.

    Parameters
    ----------
    seed : int
        Seed of the draw.

    Examples
    --------
    >>> len(quiz_questions())
    20
    """
    drawn = [question for about, count in IN_THE_QUIZ.items() for question in _order(about, seed)[-count:]]
    return tuple(drawn[place] for place in np.random.default_rng([seed, 0]).permutation(len(drawn)))


def _order(lesson: int, seed: int) -> list[Question]:
    """Put the questions about a lesson into the order of the seed: lessons ask from its beginning, the quiz from its end."""
    about = [question for question in question_bank() if question.lesson == lesson]
    return [about[place] for place in np.random.default_rng([seed, lesson]).permutation(len(about))]
