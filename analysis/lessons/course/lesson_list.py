"""The lessons, in reading order."""

from pathlib import Path
from typing import Any

from analysis.errors import ReportError, check_choice
from analysis.lessons.course.lesson_1_measuring import Measuring
from analysis.lessons.course.lesson_2_repeated import Repeated
from analysis.lessons.course.lesson_3_shape import Shape
from analysis.lessons.course.lesson_4_comparing import Comparing
from analysis.lessons.course.lesson_5_enough import Enough
from analysis.lessons.course.lesson_6_absent import Absent
from analysis.lessons.course.lesson_7_doing import Doing
from analysis.lessons.course.lesson_8_quarter import Quarter
from analysis.lessons.lesson import Lesson
from analysis.lessons.progress import Whose

_IN_ORDER = (Measuring, Repeated, Shape, Comparing, Enough, Absent, Doing, Quarter)
LESSONS: dict[int, type[Lesson]] = {lesson.number: lesson for lesson in _IN_ORDER}


def start_lesson(number: int, *, seed: int = 1, folder: Path | str = ".", whose: Whose = "learner") -> Any:
    """Start a lesson: invent its data and open the progress of the learner.

    Parameters
    ----------
    number : int
        Number of the lesson.
    seed : int
        Seed of the data; with another seed the answers differ and still check.
    folder : Path or str
        Folder in which the progress is kept.
    whose : {"learner", "instructor"}
        Whose answers are kept; the instructor's in files of their own.

    Returns
    -------
    Lesson
        With the tables and figures of that lesson.

    Raises
    ------
    ReportError
        There is no such lesson.

    Examples
    --------
    >>> start_lesson(1).title
    'What did we measure, and how well?'
    """
    check_choice(number, LESSONS, "lesson", error=ReportError, where="start_lesson")
    return LESSONS[number](seed=seed, folder=folder, whose=whose)
