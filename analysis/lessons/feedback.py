"""What a learner is told: about an answer, and where one is still missing."""

import html
from dataclasses import dataclass
from typing import Literal

Verdict = Literal["right", "near", "wrong", "absurd", "noted", "compared"]

#: A word and a sign for each, so that nothing is said by colour alone.
_SHOWN: dict[Verdict, tuple[str, str, str]] = {
    "right": ("✓", "Right.", "#00755a"),
    "near": ("≈", "Close.", "#7a6200"),
    "wrong": ("→", "Not yet.", "#b84a00"),
    "absurd": ("!", "This cannot be.", "#9c3f7e"),
    "noted": ("•", "Noted.", "#0067a3"),
    "compared": ("•", "Compare.", "#0067a3"),
}


@dataclass(frozen=True)
class Feedback:
    """What is said about one answer.

    Parameters
    ----------
    verdict : {"right", "near", "wrong", "absurd", "noted", "compared"}
        How good the answer is; "noted" for a guess before the numbers are seen, "compared" when it is looked back on.
    hint : str
        What to think of next; it depends on the answer given.
    solution : str
        The way to the answer, folded; empty where it is not shown yet.

    Examples
    --------
    >>> print(Feedback("near", "You rounded on the way."))
    ≈ Close. You rounded on the way.
    """

    verdict: Verdict
    hint: str
    solution: str = ""

    def __repr__(self) -> str:
        sign, word, _ = _SHOWN[self.verdict]
        return f"{sign} {word} {self.hint}"

    def _repr_html_(self) -> str:
        sign, word, colour = _SHOWN[self.verdict]
        folded = ""
        if self.solution:
            folded = f"<details><summary>Show the solution</summary><p>{html.escape(self.solution)}</p></details>"
        return (
            f'<div role="status" style="border-left:5px solid {colour};padding:.4em .8em;max-width:46em">'
            f"<strong>{sign} {word}</strong> {html.escape(self.hint)}{folded}</div>"
        )


class NotAnsweredYet(Exception):  # noqa: N818 - it is not an error: the notebook waits for the learner
    """The notebook stops here until an exercise is answered.

    Parameters
    ----------
    question : str
        What is asked.
    cell : str
        Which cell is to be run again.

    Examples
    --------
    >>> print(NotAnsweredYet("How many patients are there?"))
    Your turn. How many patients are there? Put your answer in place of the three dots and run this cell again.
    """

    def __init__(self, question: str, cell: str = "this cell") -> None:
        super().__init__(f"Your turn. {question} Put your answer in place of the three dots and run {cell} again.")

    def _render_traceback_(self) -> list[str]:
        """Show the sentence alone in a notebook, without a traceback."""
        return [str(self)]
