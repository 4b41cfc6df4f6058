"""What every lesson has: data with a seed, exercises, progress."""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any, ClassVar

from analysis.cohort import Cohort, write_cohort
from analysis.errors import ReportError, check_choice
from analysis.lessons.certificate import write_certificate
from analysis.lessons.choosing import Choice
from analysis.lessons.exercise_words import Answers, exercise_names, read_exercises
from analysis.lessons.exercises import ChoiceExercise, Exercise, NumberExercise, given_as
from analysis.lessons.feedback import CHOOSE_FIRST, GUESS_FIRST, Feedback, NotAnsweredYet
from analysis.lessons.glossary import Term, glossary_entry
from analysis.lessons.header import Headed
from analysis.lessons.lesson_table import few_digits, show_few_digits
from analysis.lessons.progress import Progress, Whose
from analysis.lessons.recall.asked import Asked
from analysis.lessons.recall.draw import recall_questions


class Lesson(ABC):
    """A lesson: its data, its exercises, and the progress of the learner.

    Parameters
    ----------
    seed : int
        Seed of the invented data; every answer is computed from them.
    folder : Path or str
        Folder in which the progress is kept.
    whose : {"learner", "instructor"}
        Whose answers are kept; the instructor's in files of their own.
    """

    number: ClassVar[int]
    title: ClassVar[str]

    def __init__(self, *, seed: int = 1, folder: Path | str = ".", whose: Whose = "learner") -> None:
        self.seed = seed
        self.folder = folder
        self.whose = whose
        self.progress = Progress(folder, whose)
        show_few_digits()

    @cached_property
    def exercises(self) -> dict[str, Exercise]:
        """Exercises by name, in the order in which they come, their answers computed from the data."""
        return read_exercises(type(self).__module__.rpartition(".")[2], self._answers())

    def resume(self) -> Feedback:
        """Say where the learner is: how many exercises are done, and which one is next.

        Returns
        -------
        Feedback
            In words; what was answered on other data counts, too.
        """
        done = self.progress.of(self.number)
        open_ones = [place for place, name in enumerate(self._names(), start=1) if not is_done(done.get(name))]
        total = len(self._names())
        said = f"{total} exercises wait for you. Your answers are kept in {self.progress.path.name}."
        if done:
            where = f"Go on with exercise {open_ones[0]}." if open_ones else "All are done; the last cell sums up."
            said = f"Welcome back: {total - len(open_ones)} of {total} exercises done. {where}"
        return Headed("noted", said, where=f"Lesson {self.number}")

    def recall(self, seed: int = 1) -> Asked:
        """Ask three questions on earlier lessons, answered by a click; they are counted apart from the exercises.

        Parameters
        ----------
        seed : int
            Seed of the draw; with one seed no lesson asks what another asked.

        Returns
        -------
        Asked
            It shows itself in a notebook; elsewhere the questions as text.

        Raises
        ------
        ReportError
            It is the first lesson.
        """
        drawn = dict(enumerate(recall_questions(self.number, seed), start=1))
        return Asked(drawn, "recall", self.progress, seed, "lesson.recall()" if seed == 1 else f"lesson.recall({seed})")

    def choose(self, name: str, *, guess: bool = False) -> Choice:
        """Show the options of an exercise to choose from, by a click or by keys.

        Parameters
        ----------
        name : str
            Name of the exercise.
        guess : bool
            Whether a guess is asked for, which is noted and looked back on later.

        Returns
        -------
        Choice
            It shows itself in a notebook; elsewhere the options as text.

        Raises
        ------
        ReportError
            There is no such exercise.
        """
        exercise, call = self._exercise(name), "guess" if guess else "check"
        if not isinstance(exercise, ChoiceExercise):
            raise ReportError(f"The answer of exercise {name!r} is a number.", what_to_do=f"Use lesson.{call}.")
        before = self.progress.answer(self.number, name, seed=self.seed)

        def judge(letter: str) -> Feedback:
            return self.guess(name, letter) if guess else self.check(name, letter)

        return Choice(exercise, judge, before, f'lesson.{call}("{name}", "{next(iter(exercise.options))}")')

    def solution(self, name: str) -> Feedback:
        """Tell the solution of an exercise; the page of the lessons done says that it was looked at.

        Parameters
        ----------
        name : str
            Name of the exercise.

        Returns
        -------
        Feedback
            The way and the answer.

        Raises
        ------
        ReportError
            There is no such exercise.
        """
        exercise = self._exercise(name)
        self.progress.keep_solution(self.number, name)
        return Feedback("compared", exercise.solution)

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
        given = given_as(answer)
        mistake = "" if told.verdict == "right" else told.hint
        self.progress.keep(self.number, name, told.verdict, seed=self.seed, answer=given, mistake=mistake)
        said = f"{_said(given)} {told.hint}".strip()
        helps = (
            told.helps if told.verdict == "right" else (*told.helps, f'The solution: run lesson.solution("{name}").')
        )
        return replace(told, hint=said, helps=helps)

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
        given = given_as(answer)
        self.progress.keep(self.number, name, "noted", seed=self.seed, answer=given)
        return Feedback(
            "noted", f"Your guess is {'' if given is None else _as_text(given)}. Now run the next cells and see."
        )

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
            Nothing was guessed yet on these data.
        ReportError
            There is no such exercise.
        """
        exercise = self._exercise(name)
        guess = self.progress.answer(self.number, name, seed=self.seed)
        if guess is None:
            raise NotAnsweredYet(
                exercise.question, GUESS_FIRST if isinstance(exercise, NumberExercise) else CHOOSE_FIRST
            )
        told = exercise.judge(guess)
        words = [f"You guessed {_as_text(guess)}.", told.hint]
        if told.verdict != "right":
            # what was asked is over: tell the answer and what it teaches, not where to look for it
            if isinstance(exercise, NumberExercise):
                came = f"You guessed {_as_text(guess)}, and it is {exercise.in_words}."
                words = [came, exercise.recognised(guess), exercise.explanation]
            else:
                words.append(exercise.solution)
        return Feedback("right" if told.verdict == "right" else "compared", " ".join(filter(None, words)))

    def keep_cohort(self, cohort: Cohort) -> Path:
        """Write a cohort to a folder beside the lesson, for the learner to load; one that is there is kept.

        Parameters
        ----------
        cohort : Cohort
            The cohort.

        Returns
        -------
        Path
            The folder, its name has the number of the lesson and the seed.
        """
        folder = Path(self.folder) / f"lesson_{self.number}_cohort_{self.seed}"
        return folder if folder.exists() else write_cohort(cohort, folder)

    def called(self, found: Any) -> Feedback:
        """Say what the learner made with the kit.

        Parameters
        ----------
        found : object
            What a call gave.

        Returns
        -------
        Feedback
            Its kind, or that it is none that the kit makes.

        Raises
        ------
        NotAnsweredYet
            The three dots are still there.
        """
        if found is Ellipsis:
            raise NotAnsweredYet("Which call of the kit belongs here?")
        if not type(found).__module__.startswith("analysis."):
            return Feedback("wrong", "Nothing of the kit came out. Are the name of the call and both brackets there?")
        return Feedback("noted", f"You made {type(found).__name__}. Run the next cell to see it.")

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
        path = write_certificate(self.folder, whose=self.whose)
        left = [str(place) for place, name in enumerate(self.exercises, start=1) if not is_done(done.get(name))]
        right = len(self.exercises) - len(left)
        rest = f" Still open: exercise{'s' if len(left) > 1 else ''} {', '.join(left)}." if left else ""
        return Feedback(
            "noted",
            f"Lesson {self.number}: {right} of {len(self.exercises)} exercises done.{rest} "
            f"The page {path.name} in your folder sums up all lessons.",
        )

    def _exercise(self, name: str) -> Exercise:
        check_choice(name, self.exercises, "exercise", error=ReportError, where=f"lesson {self.number}")
        return self.exercises[name]

    def _names(self) -> tuple[str, ...]:
        """Name the exercises; no data are needed."""
        return exercise_names(type(self).__module__.rpartition(".")[2])

    @abstractmethod
    def _answers(self) -> Answers:
        """Compute what the exercises ask for, and what stands in the braces of their words."""


def is_done(one: Mapping[str, Any] | None) -> bool:
    """Say whether an exercise of the progress is done: answered rightly at last, or guessed where a guess is asked for."""
    return bool(one and (one["right"] or one.get("guess")))


def _said(given: float | str | None) -> str:
    return "" if given is None else f"You gave {_as_text(given)}."


def _as_text(given: float | str) -> str:
    return given if isinstance(given, str) else few_digits(given)
