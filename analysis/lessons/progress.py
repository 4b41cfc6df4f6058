"""Progress: what a learner answered, kept in one file of the working folder."""

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.files.settings_files import read_json
from analysis.errors import ReportError

#: Whose answers they are: the instructor's are kept apart.
Whose = Literal["learner", "instructor"]
FILE_NAMES: dict[Whose, str] = {"learner": "progress.json", "instructor": "progress_instructor.json"}

#: By lesson, by exercise: tries, right, seed, the last answer, and what was noted besides.
Lessons = dict[str, dict[str, dict[str, Any]]]


class Progress:
    """What was answered so far, kept in a file after every answer.

    Parameters
    ----------
    folder : Path or str
        Folder of the lessons; the file is ``progress.json`` in it.
    whose : {"learner", "instructor"}
        Whose answers they are; the instructor's file is ``progress_instructor.json``.

    Raises
    ------
    ReportError
        The file is there and cannot be read as progress.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     Progress(folder).keep(1, "error", "right", seed=1, answer=4.5)
    ...     Progress(folder).of(1)["error"]["tries"], Progress(folder).answer(1, "error", seed=1)
    (1, 4.5)
    """

    def __init__(self, folder: Path | str = ".", whose: Whose = "learner") -> None:
        self.whose = whose
        self.path = Path(folder) / FILE_NAMES[whose]
        refuse_impossible_name(self.path, error=ReportError)
        self._lessons = self._read()

    def of(self, lesson: int | str) -> dict[str, dict[str, Any]]:
        """Return what was answered in a lesson, by exercise.

        Parameters
        ----------
        lesson : int or str
            Number of the lesson, or the name of what is counted apart from the lessons ("recall", "quiz").

        Returns
        -------
        dict of str to dict
            Of each exercise: tries, right (whether at last), guess (whether only a guess was asked for), solution (whether it
            was looked at before the answer was right), seed, the last answer, and the mistakes (what was told to each, and how
            often).
        """
        return {name: dict(one) for name, one in self._lessons.get(str(lesson), {}).items()}

    def answer(self, lesson: int | str, exercise: str, *, seed: int) -> Any:
        """Return the last answer, or None where there is none on the data of this seed."""
        one = self._lessons.get(str(lesson), {}).get(exercise, {})
        return one.get("answer") if one.get("seed") == seed else None

    def keep(
        self,
        lesson: int | str,
        exercise: str,
        verdict: str,
        *,
        seed: int,
        answer: float | str | None = None,
        mistake: str = "",
    ) -> None:
        """Count an answer and write the file.

        Parameters
        ----------
        lesson : int or str
            Number of the lesson, or the name of what is counted apart from the lessons ("recall", "quiz").
        exercise : str
            Name of the exercise.
        verdict : str
            Of :class:`Feedback`; once right stays right, and "noted" is a guess.
        seed : int
            Seed of the data that it was answered on.
        answer : float or str, optional
            What was answered.
        mistake : str
            What was told to a wrong answer; counted until the answer is right.

        Raises
        ------
        ReportError
            The file cannot be written.
        """
        done = self._entry(lesson, exercise)
        if not done["right"]:
            done["tries"] += 1
            if mistake:
                made = done.setdefault("mistakes", {})
                made[mistake] = made.get(mistake, 0) + 1
        done["right"] = done["right"] or verdict == "right"
        if verdict == "noted":
            done["guess"] = True
        done["seed"] = seed
        if answer is not None:
            done["answer"] = answer
        self._write()

    def keep_solution(self, lesson: int, exercise: str) -> None:
        """Note that the solution was looked at; after a right answer nothing is noted."""
        done = self._entry(lesson, exercise)
        if not done["right"]:
            done["solution"] = True
            self._write()

    def _entry(self, lesson: int | str, exercise: str) -> dict[str, Any]:
        self._lessons = self._read()  # another notebook may be open
        return self._lessons.setdefault(str(lesson), {}).setdefault(exercise, {"tries": 0, "right": False})

    def _write(self) -> None:
        text = json.dumps({"kneecurve_lessons": 1, "lessons": self._lessons}, indent=1, sort_keys=True)
        working = self.path.with_suffix(".being-written")
        try:
            working.write_text(text + "\n", encoding="utf-8")
            os.replace(working, self.path)  # noqa: PTH105 - atomic on every system
        except OSError as error:
            raise ReportError(
                f"Your progress cannot be written: {error.strerror or error}.",
                where=str(self.path),
                what_to_do="Copy the lessons to a folder that you may write to: kneecurve lessons --to DIR.",
            ) from error

    def _read(self) -> Lessons:
        return read_progress(self.path) if self.path.exists() else {}


def read_progress(path: Path) -> Lessons:
    """Read what was answered from a file of progress: by lesson, by exercise.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    ReportError
        The file cannot be read as progress.
    """
    try:
        lessons: Lessons = read_json(path)["lessons"]
        for exercises in lessons.values():
            for one in exercises.values():
                int(one["tries"]), bool(one["right"])
                _texts_counted(one.get("mistakes", {}))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise ReportError(
            "The file with your progress cannot be read.",
            where=str(path),
            what_to_do="Move it away; the lessons then start a new one.",
        ) from error
    return lessons


def _texts_counted(mistakes: Mapping[str, int]) -> None:
    if sum(mistakes.values()) < len(mistakes):
        raise ValueError


def at_first_try(one: Mapping[str, Any]) -> bool:
    """Say whether an exercise of the progress was answered rightly at the first try."""
    return bool(one["right"]) and int(one["tries"]) == 1
