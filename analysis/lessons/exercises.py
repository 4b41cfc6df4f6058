"""Exercises: an answer is compared with the truth of the data, and the hint depends on the answer given."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from numbers import Real
from typing import Any

from analysis.lessons.feedback import Feedback, NotAnsweredYet

#: An answer this many tolerances away is near.
_NEAR = 4.0
#: What is told to mistakes that may happen in any exercise.
_SHARE = "You gave a share. It is asked for in {}: multiply by 100."
_HUNDREDFOLD = "You gave it a hundred times too large: per cent in place of a plain number?"
_SIGN = "The size is right, the sign is not. Which one is taken from which?"
#: What is told where the size alone was asked for.
_EITHER = "With its sign it is {:.4g}."


@dataclass(frozen=True)
class NumberExercise:
    """An exercise whose answer is one number.

    Parameters
    ----------
    question : str
        What is asked.
    truth : float
        The answer, computed from the data.
    tolerance : float
        Distance that still counts as right, in the same unit; it leaves room for rounding.
    unit : str
        Unit, empty for none.
    lowest, highest : float
        What the answer can be at all.
    wrong : tuple of (float, str)
        Wrong answers that learners give: what the mistake leads to, from the data, and what to say to it.
    hint : str
        For any other wrong answer.
    explanation : str
        What the right answer teaches.
    way : str
        How the answer is found, for the solution.
    either_sign : bool
        Whether the size is right with either sign, as "by how many" asks for.

    Examples
    --------
    >>> exercise = NumberExercise("How much is 85 % of 90 %?", 76.5, 0.1, "%", 0, 100, hint="Multiply.")
    >>> exercise.judge(76.5).verdict, exercise.judge(76.2).verdict, exercise.judge(0.765).hint
    ('right', 'near', 'You gave a share. It is asked for in %: multiply by 100.')
    """

    question: str
    truth: float
    tolerance: float
    unit: str
    lowest: float
    highest: float
    wrong: tuple[tuple[float, str], ...] = ()
    hint: str = ""
    explanation: str = ""
    way: str = ""
    either_sign: bool = False

    @property
    def helps(self) -> tuple[str, ...]:
        """Two hints, the second one the way to the answer; empty ones are left out."""
        return tuple(one for one in (self.hint, self.way) if one)

    @property
    def solution(self) -> str:
        """The way to the answer, and the answer."""
        return f"{self.way} The answer is {self.in_words}.".strip()

    @property
    def in_words(self) -> str:
        """The answer with its unit."""
        return f"{self.truth:.4g} {self.unit}".strip()

    def judge(self, answer: Any) -> Feedback:
        """Say how good an answer is and what to think of next.

        Parameters
        ----------
        answer : object
            What the learner gave.

        Returns
        -------
        Feedback
            Right within the tolerance; otherwise the hint of the common wrong answer it is nearest to, where one is.

        Raises
        ------
        NotAnsweredYet
            Nothing was given.
        """
        _stop_where_empty(answer, self.question)
        value = _one_number(answer)
        if value is None:
            return Feedback("absurd", _what_it_is(answer))
        if abs(value - self.truth) <= self.tolerance:
            return Feedback("right", self.explanation, solution=self.solution)
        told = self.recognised(value)
        if self.either_sign and abs(value + self.truth) <= self.tolerance and told in ("", _SIGN):
            return Feedback("right", f"{_EITHER.format(self.truth)} {self.explanation}", solution=self.solution)
        if told:
            return Feedback("wrong", told, self.helps)
        if not self.lowest <= value <= self.highest:
            unit = f" {self.unit}" if self.unit else ""
            return Feedback("absurd", f"It lies between {self.lowest:g} and {self.highest:g}{unit}.", self.helps)
        if abs(value - self.truth) <= _NEAR * self.tolerance:
            return Feedback("near", "Very near. Did you round on the way? Round only at the end.", self.helps)
        return Feedback("wrong", f"{'Too high' if value > self.truth else 'Too low'}.", self.helps)

    def recognised(self, value: Any) -> str:
        """Say what is told to a wrong answer that learners often give; empty for any other answer."""
        told = [(wrong, self.tolerance, hint) for wrong, hint in self.wrong]
        if self.unit in ("%", "percentage points"):
            told.append((self.truth / 100, self.tolerance / 100, _SHARE.format(self.unit)))
        else:
            told.append((100 * self.truth, self.tolerance, _HUNDREDFOLD))
        if abs(self.truth) > self.tolerance:
            told.append((-self.truth, self.tolerance, _SIGN))
        found = [(abs(value - wrong), hint) for wrong, room, hint in told if abs(value - wrong) <= room]
        return min(found, key=lambda one: one[0])[1] if found else ""


@dataclass(frozen=True)
class ChoiceExercise:
    """An exercise whose answer is one letter.

    Parameters
    ----------
    question : str
        What is asked.
    right : str
        The letter of the right answer.
    said : mapping of str to str
        What is said to each letter.
    options : mapping of str to str
        What each letter stands for.
    hint : str
        For a wrong answer.
    way : str
        The reason, for the solution.

    Examples
    --------
    >>> exercise = ChoiceExercise("Which?", "b", {"a": "Look again.", "b": "It is."})
    >>> exercise.judge("B").verdict, exercise.judge("a").hint, exercise.judge("z").verdict
    ('right', 'Look again.', 'absurd')
    """

    question: str
    right: str
    said: Mapping[str, str]
    options: Mapping[str, str] = field(default_factory=dict)
    hint: str = ""
    way: str = ""

    def helps(self, letter: str) -> tuple[str, ...]:
        """Give the hint, and rule out one of the other wrong options."""
        others = [f"It is not {one}. {self.said[one]}" for one in self.said if one not in (letter, self.right)]
        return tuple(one for one in (self.hint, *others[:1]) if one)

    @property
    def solution(self) -> str:
        """The way to the answer, and the answer."""
        return f"The answer is {self.right}. {self.way or self.said[self.right]}"

    def judge(self, answer: Any) -> Feedback:
        """Say whether the letter is right and what to think of next.

        Parameters
        ----------
        answer : object
            What the learner gave.

        Returns
        -------
        Feedback
            With the words that belong to that letter.

        Raises
        ------
        NotAnsweredYet
            Nothing was given.
        """
        _stop_where_empty(answer, self.question)
        letter = answer.strip().strip("()").lower() if isinstance(answer, str) else ""
        if letter not in self.said:
            return Feedback("absurd", f"Give one letter in quotation marks: {', '.join(self.said)}.")
        if letter == self.right:
            return Feedback("right", self.said[letter], solution=self.solution)
        return Feedback("wrong", self.said[letter], self.helps(letter))


Exercise = NumberExercise | ChoiceExercise


def given_as(answer: Any) -> float | str | None:
    """Give an answer as it is kept: a number, a letter or a short text, or None for anything else.

    Examples
    --------
    >>> given_as(" (B) "), given_as([4.5]), given_as(print)
    ('b', 4.5, None)
    """
    if isinstance(answer, str):
        return answer.strip().strip("()").lower()[:20]
    return _one_number(answer)


def _stop_where_empty(answer: Any, question: str) -> None:
    if answer is None or answer is Ellipsis or (isinstance(answer, str) and not answer.strip()):
        raise NotAnsweredYet(question)


def _one_number(answer: Any) -> float | None:
    """Give the number, or None; numpy numbers, and whatever holds one number alone, count."""
    if getattr(answer, "size", None) == 1:
        answer = answer.to_numpy().ravel()[0] if hasattr(answer, "to_numpy") else answer.item()
    elif isinstance(answer, (list, tuple)) and len(answer) == 1:
        answer = answer[0]
    if isinstance(answer, bool) or not isinstance(answer, Real):
        return None
    value = float(answer)
    return value if math.isfinite(value) else None


def _what_it_is(answer: Any) -> str:
    if isinstance(answer, str):
        return "This is text. Give a plain number, without quotation marks or a unit."
    if isinstance(answer, Real) and not isinstance(answer, bool):
        return "This is not a number that can be compared. Was something divided by zero?"
    if isinstance(answer, tuple):
        return "These are several values. If you meant one number, write a point and no comma: 1.5, not 1,5."
    if hasattr(answer, "__len__"):
        return "These are several values. One number is asked for: which single value sums them up?"
    return "One number is asked for."
