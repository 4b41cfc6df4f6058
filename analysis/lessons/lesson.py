"""What every lesson has: data with a seed, exercises, progress."""

from abc import ABC, abstractmethod
from functools import cached_property
from pathlib import Path
from typing import Any, ClassVar

from analysis.errors import ReportError, check_choice
from analysis.lessons.certificate import write_certificate
from analysis.lessons.exercise_words import Answers, read_exercises
from analysis.lessons.exercises import Exercise, NumberExercise
from analysis.lessons.feedback import Feedback, NotAnsweredYet
from analysis.lessons.glossary import Term, glossary_entry
from analysis.lessons.lesson_table import few_digits, show_few_digits
from analysis.lessons.progress import Progress


class Lesson(ABC):
    """A lesson: its data, its exercises, and the progress of the learner.

    Parameters
    ----------
    seed : int
        Seed of the invented data; every answer is computed from them.
    folder : Path or str
        Folder in which the progress is kept.
    """

    number: ClassVar[int]
    title: ClassVar[str]

    def __init__(self, *, seed: int = 1, folder: Path | str = ".") -> None:
        self.seed = seed
        self.folder = folder
        self.progress = Progress(folder)
        self._guesses: dict[str, Any] = {}
        show_few_digits()

    @cached_property
    def exercises(self) -> dict[str, Exercise]:
        """Exercises by name, in the order in which they come, their answers computed from the data."""
        return read_exercises(type(self).__module__.rpartition(".")[2], self._answers())

    def check(self, name: str, answer: Any) -> Feedback:
        """Judge an answer at once, and keep the progress.

        Parameters
        ----------
        name : str
            Name of the exercise.
        answer : object
            The answer.

        Returns
        -------
        Feedback
            With a hint that depends on the answer.

        Raises
        ------
        NotAnsweredYet
            The three dots are still there.
        ReportError
            There is no such exercise.
        """
        told = self._exercise(name).judge(answer)
        self.progress.keep(self.number, name, told.verdict, seed=self.seed)
        return told

    def guess(self, name: str, answer: Any) -> Feedback:
        """Note a guess before the numbers are seen; no guess is wrong.

        Parameters
        ----------
        name : str
            Name of the exercise.
        answer : object
            The guess.

        Returns
        -------
        Feedback
            That it was noted, or what is missing.

        Raises
        ------
        NotAnsweredYet
            The three dots are still there.
        ReportError
            There is no such exercise.
        """
        told = self._exercise(name).judge(answer)
        if told.verdict == "absurd":
            return told
        self._guesses[name] = answer.to_numpy().ravel()[0] if hasattr(answer, "to_numpy") else answer
        self.progress.keep(self.number, name, "noted", seed=self.seed)
        return Feedback("noted", f"Your guess is {_as_given(self._guesses[name])}. Now run the next cells and see.")

    def look_back(self, name: str) -> Feedback:
        """Set a guess beside what came out.

        Parameters
        ----------
        name : str
            Name of the exercise.

        Returns
        -------
        Feedback
            What came out, and the words for this guess.

        Raises
        ------
        NotAnsweredYet
            Nothing was guessed since the notebook was opened.
        ReportError
            There is no such exercise.
        """
        exercise = self._exercise(name)
        if name not in self._guesses:
            raise NotAnsweredYet(exercise.question, "the cell with the guess")
        guess = self._guesses[name]
        told = exercise.judge(guess)
        words = [f"You guessed {_as_given(guess)}.", told.hint]
        if told.verdict != "right":
            # what was asked is over: tell the answer and what it teaches, not where to look for it
            words[1] = exercise.recognised(guess) if isinstance(exercise, NumberExercise) else told.hint
            words.append(exercise.solution)
            words.append(exercise.explanation if isinstance(exercise, NumberExercise) else "")
        return Feedback("right" if told.verdict == "right" else "compared", " ".join(filter(None, words)))

    def explain(self, word: str) -> Term:
        """Explain a word of the glossary.

        Parameters
        ----------
        word : str
            A term in bold, for example "MDC".
        """
        return glossary_entry(word)

    def finish(self) -> Feedback:
        """Sum up the lesson and write the certificate page.

        Returns
        -------
        Feedback
            How many exercises are done, and where the page is.
        """
        done = self.progress.of(self.number)
        right = sum(bool(done.get(name, {}).get("right")) for name in self.exercises)
        path = write_certificate(self.folder)
        left = [str(place) for place, name in enumerate(self.exercises, start=1) if not done.get(name, {}).get("right")]
        rest = f" Still open: exercise{'s' if len(left) > 1 else ''} {', '.join(left)}." if left else ""
        return Feedback(
            "noted",
            f"Lesson {self.number}: {right} of {len(self.exercises)} exercises done.{rest} "
            f"The page {path.name} in your folder sums up all lessons.",
        )

    def _exercise(self, name: str) -> Exercise:
        check_choice(name, self.exercises, "exercise", error=ReportError, where=f"lesson {self.number}")
        return self.exercises[name]

    @abstractmethod
    def _answers(self) -> Answers:
        """Compute what the exercises ask for, and what stands in the braces of their words."""


def _as_given(answer: Any) -> str:
    return str(answer) if isinstance(answer, (str, int)) else few_digits(float(answer))
