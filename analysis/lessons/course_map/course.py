"""The map of the course, the next lesson and the fifteen errors, with links to the notebooks."""

import html
from dataclasses import dataclass
from pathlib import Path

from analysis.lessons.course_map.facts import LessonFacts, lesson_facts
from analysis.lessons.header import header
from analysis.lessons.lesson import is_done
from analysis.lessons.progress import Progress, Whose, at_first_try
from analysis.lessons.source import QUIZ, notebook_name

_TOP, _LEFT = 'style="vertical-align:top"', 'style="text-align:left;vertical-align:top"'
_NO_BREAK = "&nbsp;"


@dataclass(frozen=True, repr=False)
class Shown:
    """Words for a terminal, and the same for a notebook.

    Parameters
    ----------
    text : str
        As text.
    page : str
        As HTML.
    """

    text: str
    page: str

    def __repr__(self) -> str:
        return self.text

    def _repr_html_(self) -> str:
        return self.page


@dataclass(frozen=True)
class Course:
    """The course as the start page shows it; what was answered is read anew each time.

    Parameters
    ----------
    folder : Path
        Folder of the lessons, in which the progress is kept.
    whose : {"learner", "instructor"}
        Whose answers and notebooks.
    """

    folder: Path
    whose: Whose

    @property
    def map(self) -> Shown:
        """Every lesson: what it is for, how long it takes, how far the learner is."""
        lines, rows = [], []
        done, exercises, minutes = 0, 0, 0
        for facts in lesson_facts():
            here, total = self._done(facts), len(facts.outline.exercises)
            done, exercises, minutes = done + here, exercises + total, minutes + facts.minutes
            state = _state(here, total)
            lines.append(f"{_name(facts)} {facts.minutes} minutes; {here} of {total} exercises done, {state}.")
            rows.append(
                f'<tr><th scope="row" {_LEFT}>{self._link(facts.notebook, _name(facts))}</th>'
                f"<td {_LEFT}>{html.escape(facts.objective)}</td><td {_TOP}>{facts.minutes}</td>"
                f"<td {_TOP}>{here} of {total}</td><td {_LEFT}>{state.replace(' ', _NO_BREAK)}</td></tr>"
            )
        in_all = f"In all {exercises} exercises, {done} of them done, and about {minutes / 60:.0f} hours."
        in_all += "".join(
            self._counted_apart(*one) for one in (("recall", "questions on earlier lessons"), ("quiz", "the quiz"))
        )
        head = "".join(
            f'<th scope="col" {_LEFT}>{one}</th>'
            for one in ("Lesson", "Afterwards you can", "Minutes", "Exercises done", "State")
        )
        return Shown(
            "\n".join([*lines, in_all]),
            f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table><p>{in_all}</p>",
        )

    @property
    def next_lesson(self) -> Shown:
        """Where to go on: the first lesson that is not finished, then the quiz."""
        for facts in lesson_facts():
            here, total = self._done(facts), len(facts.outline.exercises)
            if here < total:
                begun = (
                    f"{here} of its {total} exercises are done" if here else f"it takes about {facts.minutes} minutes"
                )
                return self._said("Next", facts.notebook, _name(facts), f" ({begun})")
        return self._said("All exercises of the lessons are done. Next", QUIZ, "the quiz", "")

    @property
    def errors(self) -> Shown:
        """The fifteen common errors in the order of their numbers, each with the place where a lesson treats it."""
        found = sorted(
            ((one, facts) for facts in lesson_facts() for one in facts.errors), key=lambda pair: pair[0].number
        )
        text = [f"{one.number}. {one.name} (lesson {one.lesson}, {one.heading})" for one, _ in found]
        items = (
            f'<li value="{one.number}">{self._link(facts.notebook, one.name, f"#{one.place}")} '
            f"(lesson {one.lesson}, {html.escape(one.heading)})</li>"
            for one, facts in found
        )
        return Shown("\n".join(text), f"<ol>{''.join(items)}</ol>")

    def _counted_apart(self, part: str, what: str) -> str:
        kept = Progress(self.folder, self.whose).of(part).values()
        return (
            f" Of {what} {len(kept)} answered, {sum(map(at_first_try, kept))} of them rightly at the first try."
            if kept
            else ""
        )

    def _done(self, facts: LessonFacts) -> int:
        done = Progress(self.folder, self.whose).of(facts.outline.number)
        return sum(is_done(done.get(name)) for name in facts.outline.exercises)

    def _link(self, notebook: str, words: str, place: str = "") -> str:
        return f'<a href="{notebook_name(notebook, self.whose)}{place}">{html.escape(words)}</a>'

    def _said(self, before: str, notebook: str, words: str, after: str) -> Shown:
        return Shown(
            f"{before}: {words}{after}",
            f"{header('Start page')}<p><strong>{before}:</strong> {self._link(notebook, words)}{after}</p>",
        )


def start_course(folder: Path | str = ".", *, whose: Whose = "learner") -> Course:
    """Open the course: its map, the next lesson, the fifteen errors.

    Parameters
    ----------
    folder : Path or str
        Folder of the lessons, in which the progress is kept.
    whose : {"learner", "instructor"}
        Whose answers are counted, and whose notebooks are linked to.

    Returns
    -------
    Course
        With ``map``, ``next_lesson`` and ``errors``, which show themselves.

    Raises
    ------
    ReportError
        The progress cannot be read.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     start_course(folder).next_lesson
    Next: Lesson 1. What did we measure, and how well? (it takes about 40 minutes)
    """
    Progress(folder, whose)
    return Course(Path(folder), whose)


def _name(facts: LessonFacts) -> str:
    return f"Lesson {facts.outline.number}. {facts.outline.title}"


def _state(done: int, total: int) -> str:
    return "finished" if done == total else ("begun" if done else "not begun")
