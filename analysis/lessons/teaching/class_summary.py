"""What the learners of a class did and where they erred, from their progress files."""

import html
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import ReportError
from analysis.foreign_text import visible
from analysis.lessons.lesson import is_done
from analysis.lessons.progress import FILE_NAMES, at_first_try, read_progress
from analysis.lessons.source import Outline, lesson_outlines
from analysis.report.parts.tables import Column, Table

_NONE = "–"
#: What is counted apart from the lessons, with its heading.
_APART = {"recall": "Recall", "quiz": "Quiz"}
#: Progress of one learner: by lesson, by exercise.
_Kept = Mapping[str, Mapping[str, Mapping[str, Any]]]


@dataclass(frozen=True, eq=False, repr=False)
class ClassSummary:
    """A class in two tables.

    Attributes
    ----------
    learners : Table
        A row a learner, a column a lesson: exercises done of all, right without the solution, guesses.
    exercises : Table
        A row an exercise that somebody answered: learners who answered, right at the first try, who looked at the solution, and
        the most frequent mistake.
    unread : tuple of str
        Names whose files could not be read.
    """

    learners: Table
    exercises: Table
    unread: tuple[str, ...]

    @property
    def headline(self) -> str:
        """How many learners were read, and whose files could not be."""
        count = len(self.learners.data)
        read = f"Progress of {count} learner{'s' if count != 1 else ''}."
        return f"{read} Not read, as the file is damaged: {', '.join(self.unread)}." if self.unread else read

    def __repr__(self) -> str:
        return f"{self.headline}\n\n{self.learners}\n\n{self.exercises}"

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.headline)}</p>{self.learners.to_html()}{self.exercises.to_html()}"


def class_summary(folder: Path | str) -> ClassSummary:
    """Sum up the progress of a class.

    Parameters
    ----------
    folder : Path or str
        Folder with a sub-folder for each learner, in which ``progress.json`` is, or with a file ``NAME.json`` for each. The name
        of the sub-folder or of the file is all that is known of a learner.

    Returns
    -------
    ClassSummary
        Two tables, which show themselves.

    Raises
    ------
    ReportError
        The folder is not there, or holds no progress.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analysis.lessons.progress import Progress
    >>> with TemporaryDirectory() as folder:
    ...     (Path(folder) / "red").mkdir()
    ...     Progress(f"{folder}/red").keep(1, "old_limb", "noted", seed=1, answer=76.5)
    ...     class_summary(folder).learners.data["lesson 1"].item()
    '1 of 7 (0, 1)'
    """
    folder = Path(folder)
    refuse_impossible_name(folder, error=ReportError)
    found = _files(folder)
    if not found:
        raise ReportError(
            "There is no progress of learners here." if folder.is_dir() else "There is no such folder.",
            where=str(folder),
            what_to_do="Put the file progress.json of each learner into a sub-folder with the learner's name, or name it NAME.json.",
        )
    kept: dict[str, _Kept] = {}
    unread = []
    for name, path in found.items():
        try:
            kept[name] = read_progress(path)
        except ReportError:
            unread.append(name)
    outlines = lesson_outlines()
    return ClassSummary(_learners(kept, outlines), _exercises(kept, outlines), tuple(unread))


def _files(folder: Path) -> dict[str, Path]:
    """Give the progress file of each learner, by name."""
    inside = {path.parent.name: path for path in folder.glob(f"*/{FILE_NAMES['learner']}")}
    beside = {path.stem: path for path in folder.glob("*.json") if path.name not in FILE_NAMES.values()}
    twice = sorted(set(inside) & set(beside))
    if twice:
        raise ReportError(
            f"{visible(twice[0])!r} has a sub-folder and a file.", where=str(folder), what_to_do="Keep one of them."
        )
    return {visible(name): path for name, path in sorted({**inside, **beside}.items()) if not name.startswith(".")}


def _learners(kept: Mapping[str, _Kept], outlines: list[Outline]) -> Table:
    rows = [
        {
            "learner": name,
            **{f"lesson {one.number}": _lesson(held.get(str(one.number), {}), one) for one in outlines},
            **{part: _apart(held.get(part, {})) for part in _APART},
        }
        for name, held in kept.items()
    ]
    columns = (
        Column("learner", "Learner"),
        *(Column(f"lesson {one.number}", f"Lesson {one.number}") for one in outlines),
        *(Column(part, label) for part, label in _APART.items()),
    )
    notes = (
        "Lessons: exercises done of all; in brackets those right without a look at the solution, then the guesses.",
        "Recall and quiz: questions right at the first try of those answered.",
    )
    data = pd.DataFrame(rows, columns=[str(column.name) for column in columns])
    return Table(data, "What each learner did.", columns, notes, "learners")


def _lesson(held: Mapping[str, Mapping[str, Any]], outline: Outline) -> str:
    done = [held[name] for name in outline.exercises if is_done(held.get(name))]
    guesses = sum(bool(one.get("guess")) for one in done)
    alone = sum(not (one.get("guess") or one.get("solution")) for one in done)
    return f"{len(done)} of {len(outline.exercises)} ({alone}, {guesses})" if held else _NONE


def _apart(held: Mapping[str, Mapping[str, Any]]) -> str:
    return f"{sum(map(at_first_try, held.values()))} of {len(held)}" if held else _NONE


def _exercises(kept: Mapping[str, _Kept], outlines: list[Outline]) -> Table:
    rows = []
    for outline in outlines:
        for place, name in enumerate(outline.exercises, start=1):
            entries = (held.get(str(outline.number), {}).get(name) for held in kept.values())
            answers = [one for one in entries if one]
            if answers:
                rows.append({"exercise": f"{outline.number}.{place} {name.replace('_', ' ')}", **_answers(answers)})
    columns = (
        Column("exercise", "Exercise"),
        Column("answered", "Answered", "count"),
        Column("first", "Right at the first try", "right"),
        Column("solution", "Looked at the solution", "right"),
        Column("mistake", "Most frequent mistake: what was told to it"),
    )
    notes = (
        "An exercise is named by its lesson and its place there. Answered: learners. Guesses are neither right nor wrong.",
        "The number before a mistake is that of the learners who made it; of mistakes made by as many, the first is shown.",
    )
    data = pd.DataFrame(rows, columns=[str(column.name) for column in columns])
    return Table(data, "How each exercise was answered.", columns, notes, "exercises")


def _answers(answers: list[Mapping[str, Any]]) -> dict[str, object]:
    judged = [one for one in answers if not one.get("guess")]
    made = Counter(mistake for one in judged for mistake in one.get("mistakes", {}))
    ((mistake, count),) = made.most_common(1) or [("", 0)]
    return {
        "answered": len(answers),
        "first": f"{sum(map(at_first_try, judged))} of {len(judged)}" if judged else "guess",
        "solution": f"{sum(bool(one.get('solution')) for one in judged)} of {len(judged)}" if judged else _NONE,
        "mistake": f"{count}: {visible(mistake)}" if count else _NONE,
    }
