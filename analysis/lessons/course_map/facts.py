"""What a lesson is about, how long it takes and which of the fifteen errors it treats, read from its source."""

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from urllib.parse import quote

from analysis.errors import ReportError
from analysis.lessons.source import Outline, lesson_outlines, lesson_sources

_MINUTES = re.compile(r"It takes about (\d+) minutes\.")
_HEADING_OR_ERROR = re.compile(r"^## (.+)$|\*\*Common error (\d+) of 15: ([^*]+?)\.\*\*", re.MULTILINE)


@dataclass(frozen=True)
class CommonError:
    """One of the fifteen errors.

    Parameters
    ----------
    number : int
        Its number, from 1 to 15.
    name : str
        Its name, as the lesson gives it.
    lesson : int
        The lesson that treats it.
    heading : str
        The heading under which it stands.
    """

    number: int
    name: str
    lesson: int
    heading: str

    @property
    def place(self) -> str:
        """The place in the notebook, as a link names it: JupyterLab puts a hyphen for each blank of a heading."""
        return quote(self.heading.replace(" ", "-"), safe="-")


@dataclass(frozen=True)
class LessonFacts:
    """What the map says of a lesson.

    Parameters
    ----------
    outline : Outline
        Number, title and exercises.
    notebook : str
        Name of its notebook, without ending.
    minutes : int
        How long it takes.
    objective : str
        What a learner can do afterwards.
    errors : tuple of CommonError
        The errors that it treats, in its order.
    """

    outline: Outline
    notebook: str
    minutes: int
    objective: str
    errors: tuple[CommonError, ...]


@cache
def lesson_facts() -> tuple[LessonFacts, ...]:
    """Read what the map says of every lesson, in reading order.

    Raises
    ------
    ReportError
        A lesson does not say how long it takes.

    Examples
    --------
    >>> first = lesson_facts()[0]
    >>> first.minutes, [error.number for error in first.errors]
    (40, [4, 13, 14])
    """
    words = resources.files("analysis.lessons.course_map").joinpath("objectives.toml").read_text(encoding="utf-8")
    objectives = tomllib.loads(words)
    found = []
    for outline, path in zip(lesson_outlines(), lesson_sources(), strict=True):
        text = path.read_text(encoding="utf-8")
        minutes = _MINUTES.search(text)
        if minutes is None:
            raise ReportError(
                "The lesson does not say how long it takes.",
                where=path.name,
                what_to_do="Write 'It takes about 40 minutes.' at its beginning.",
            )
        errors = tuple(_errors(text, outline.number))
        found.append(LessonFacts(outline, path.stem, int(minutes[1]), objectives[str(outline.number)], errors))
    return tuple(found)


def _errors(text: str, lesson: int) -> list[CommonError]:
    heading, found = "", []
    for one in _HEADING_OR_ERROR.finditer(text):
        if one[1]:
            heading = one[1].strip()
        else:
            found.append(CommonError(int(one[2]), one[3], lesson, heading))
    return found
