"""Progress: what a learner answered, kept in one file of the working folder."""

import json
import os
from pathlib import Path
from typing import Any

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.files.settings_files import read_json
from analysis.errors import ReportError

FILE_NAME = "progress.json"


class Progress:
    """What was answered so far, kept in a file after every answer.

    Parameters
    ----------
    folder : Path or str
        Folder of the lessons; the file is ``progress.json`` in it.

    Raises
    ------
    ReportError
        The file is there and cannot be read as progress.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     Progress(folder).keep(1, "error", "right", seed=1)
    ...     Progress(folder).of(1)["error"]["tries"]
    1
    """

    def __init__(self, folder: Path | str = ".") -> None:
        self.path = Path(folder) / FILE_NAME
        refuse_impossible_name(self.path, error=ReportError)
        self._lessons: dict[str, dict[str, dict[str, Any]]] = self._read()

    def of(self, lesson: int) -> dict[str, dict[str, Any]]:
        """Return what was answered in a lesson: by exercise the tries, whether it was right at last, and the seed.

        Parameters
        ----------
        lesson : int
            Number of the lesson.
        """
        return {name: dict(one) for name, one in self._lessons.get(str(lesson), {}).items()}

    def keep(self, lesson: int, exercise: str, verdict: str, *, seed: int) -> None:
        """Count an answer and write the file.

        Parameters
        ----------
        lesson : int
            Number of the lesson.
        exercise : str
            Name of the exercise.
        verdict : str
            Of :class:`Feedback`; once right stays right.
        seed : int
            Seed of the data that it was answered on.

        Raises
        ------
        ReportError
            The file cannot be written.
        """
        self._lessons = self._read()  # another notebook may be open
        done = self._lessons.setdefault(str(lesson), {}).setdefault(exercise, {"tries": 0, "right": False})
        if not done["right"]:
            done["tries"] += 1
        done["right"] = done["right"] or verdict in ("right", "noted")
        done["seed"] = seed
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

    def _read(self) -> dict[str, dict[str, dict[str, Any]]]:
        if not self.path.exists():
            return {}
        try:
            held = read_json(self.path)
            lessons = held["lessons"]
            for exercises in lessons.values():
                for one in exercises.values():
                    int(one["tries"]), bool(one["right"])
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise ReportError(
                "The file with your progress cannot be read.",
                where=str(self.path),
                what_to_do="Move it away; the lessons then start a new one.",
            ) from error
        return lessons
