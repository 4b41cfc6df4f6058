"""The quiz after the lessons: twenty questions drawn by a seed, and which lessons to look at again."""

from dataclasses import dataclass
from pathlib import Path

from analysis.lessons.feedback import Feedback
from analysis.lessons.header import Headed
from analysis.lessons.progress import Progress, Whose, at_first_try
from analysis.lessons.recall.asked import Asked, kept_as
from analysis.lessons.recall.bank import Question
from analysis.lessons.recall.draw import quiz_questions

PART = "quiz"


@dataclass(frozen=True, eq=False)
class Quiz:
    """Twenty questions on all lessons.

    Parameters
    ----------
    drawn : tuple of Question
        The questions in their order.
    progress : Progress
        Where they are counted, apart from the exercises.
    seed : int
        Seed that they were drawn by.
    """

    drawn: tuple[Question, ...]
    progress: Progress
    seed: int

    def questions(self, first: int, last: int) -> Asked:
        """Show some of the questions.

        Parameters
        ----------
        first, last : int
            Numbers of the first and the last one shown, from 1.
        """
        shown = {number: one for number, one in enumerate(self.drawn, start=1) if first <= number <= last}
        return Asked(shown, PART, self.progress, self.seed, f"quiz.questions({first}, {last})")

    def finish(self) -> Feedback:
        """Say how many were right at the first try, and which lessons to look at again.

        Returns
        -------
        Feedback
            In words; questions still open are named and not judged.
        """
        kept = Progress(self.progress.path.parent, self.progress.whose).of(PART)
        names = {one.name: kept_as(one, self.seed) for one in self.drawn}
        done = {name: kept[held] for name, held in names.items() if held in kept}
        if not done:
            return Headed("noted", f"None of the {len(self.drawn)} questions is answered yet.", where="Quiz")
        first = {name for name, one in done.items() if at_first_try(one)}
        still = [str(number) for number, one in enumerate(self.drawn, start=1) if one.name not in done]
        again = sorted({one.lesson for one in self.drawn if one.name in done and one.name not in first})
        words = [f"{len(first)} of {len(self.drawn)} questions were right at the first try."]
        if still:
            words.append(f"Not answered yet: question{'s' if len(still) > 1 else ''} {', '.join(still)}.")
        if again:
            words.append(f"Look again at lesson{'s' if len(again) > 1 else ''} {', '.join(map(str, again))}.")
        return Headed("noted", " ".join(words), where="Quiz")


def start_quiz(*, seed: int = 1, folder: Path | str = ".", whose: Whose = "learner") -> Quiz:
    """Start the quiz, or take it up again.

    Parameters
    ----------
    seed : int
        Seed of the draw; with another one there are other questions.
    folder : Path or str
        Folder in which the progress is kept.
    whose : {"learner", "instructor"}
        Whose answers are kept.

    Returns
    -------
    Quiz
        With ``questions(first, last)`` and ``finish()``.

    Raises
    ------
    ReportError
        The progress cannot be read.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     start_quiz(folder=folder).finish()
    • Noted. None of the 20 questions is answered yet.
    """
    return Quiz(quiz_questions(seed), Progress(folder, whose), seed)
