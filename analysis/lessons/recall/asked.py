"""Questions one below the other, answered by a click, and counted apart from the exercises."""

import html
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from analysis.errors import ReportError, check_choice
from analysis.lessons.choosing import Choice, Clicked
from analysis.lessons.exercises import given_as
from analysis.lessons.feedback import Feedback
from analysis.lessons.progress import Progress
from analysis.lessons.recall.bank import Question


@dataclass(frozen=True, eq=False, repr=False)
class Asked(Clicked):
    """Questions, each with its options and what is said to the one chosen.

    Parameters
    ----------
    questions : mapping of int to Question
        By the number that they are shown with.
    part : str
        Under which name the progress counts them.
    progress : Progress
        Where they are counted.
    seed : int
        Seed that they were drawn by.
    call : str
        What a learner writes to have them.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analysis.lessons.recall.bank import question_bank
    >>> with TemporaryDirectory() as folder:
    ...     Asked({1: question_bank()[0]}, "recall", Progress(folder), 1, "lesson.recall()").check(1, "b")
    ✓ Right. So it moves when the other limb moves, too.
    """

    questions: Mapping[int, Question]
    part: str
    progress: Progress
    seed: int
    call: str

    def check(self, number: int, answer: str) -> Feedback:
        """Judge the answer to one question, and keep it.

        Parameters
        ----------
        number : int
            Number of the question.
        answer : str
            A letter.

        Returns
        -------
        Feedback
            With the words for this letter, and after a wrong one the lesson that tells.

        Raises
        ------
        ReportError
            There is no such question.
        NotAnsweredYet
            Nothing was given.
        """
        check_choice(number, self.questions, "question", error=ReportError, where=self.call)
        question = self.questions[number]
        told = question.exercise.judge(answer)
        if told.verdict == "absurd":
            return told
        self.progress.keep(
            self.part, kept_as(question, self.seed), told.verdict, seed=self.seed, answer=given_as(answer)
        )
        if told.verdict == "right":
            return replace(told, solution="")
        return replace(told, helps=(*told.helps, f"Lesson {question.lesson} tells."))

    def __repr__(self) -> str:
        shown = (
            f"{number}. {self.questions[number].exercise.question}\n{choice!r}"
            for number, choice in self._choices().items()
        )
        return "\n\n".join(shown)

    def widget(self) -> Any:
        """Return the ipywidgets box: each question with its options, a button, and what is said.

        Raises
        ------
        ImportError
            ipywidgets is not installed.
        """
        import ipywidgets

        boxes = []
        for number, choice in self._choices().items():
            asked = html.escape(self.questions[number].exercise.question)
            words = ipywidgets.HTML(
                f'<p style="max-width:46em;line-height:1.4;margin:.6em 0 0"><strong>{number}.</strong> {asked}</p>'
            )
            boxes.append(ipywidgets.VBox([words, *choice.widget().children], layout={"align_items": "flex-start"}))
        return ipywidgets.VBox(boxes)

    def _choices(self) -> dict[int, Choice]:
        return {number: self._choice(number) for number in self.questions}

    def _choice(self, number: int) -> Choice:
        question = self.questions[number]
        before = self.progress.answer(self.part, kept_as(question, self.seed), seed=self.seed)
        return Choice(
            question.exercise, lambda letter: self.check(number, letter), before, f'{self.call}.check({number}, "a")'
        )


def kept_as(question: Question, seed: int) -> str:
    """Name a question in the progress: drawn again by another seed, its first try is another one."""
    return f"{question.name}, seed {seed}"
