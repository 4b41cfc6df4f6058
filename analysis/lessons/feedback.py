"""What a learner is told: about an answer, and where one is still missing."""

import html
import textwrap
from dataclasses import dataclass
from typing import Literal

Verdict = Literal["right", "near", "wrong", "absurd", "noted", "compared", "turn"]

#: A word and a sign for each, so that nothing is said by colour alone.
_SHOWN: dict[Verdict, tuple[str, str, str]] = {
    "right": ("✓", "Right.", "#00755a"),
    "near": ("≈", "Close.", "#7a6200"),
    "wrong": ("→", "Not yet.", "#b84a00"),
    "absurd": ("!", "This cannot be.", "#9c3f7e"),
    "noted": ("•", "Noted.", "#0067a3"),
    "compared": ("•", "Compare.", "#0067a3"),
    "turn": ("?", "Your turn.", "#0067a3"),
}
#: The notebook stops at an exercise that waits; what it says stands in a box, and the same as an error is hidden beside it.
_ONLY_THE_BOX = (
    "<style>.jp-OutputArea-child:has(.kneecurve-turn) ~ .jp-OutputArea-child{display:none}</style>"
    '<span class="kneecurve-turn"></span>'
)
_LINE = 72
_DOTS = "Put your answer in place of the three dots and run {} again."
#: What is to be done where a guess is looked back on that was not made.
GUESS_FIRST, CHOOSE_FIRST = (
    _DOTS.format("the cell with the guess"),
    "Choose above, press Answer, and run this cell again.",
)


@dataclass(frozen=True)
class Feedback:
    """What is said about one answer.

    Parameters
    ----------
    verdict : {"right", "near", "wrong", "absurd", "noted", "compared", "turn"}
        How good the answer is; "noted" for a guess before the numbers are seen, "compared" when it is looked back on, "turn"
        where none was given.
    hint : str
        What to think of next; it depends on the answer given.
    helps : tuple of str
        Further hints, from the lightest to the one that nearly tells, folded one inside the other.
    solution : str
        The way to the answer, folded; empty where it is not shown.

    Examples
    --------
    >>> print(Feedback("near", "You rounded on the way."))
    ≈ Close. You rounded on the way.
    """

    verdict: Verdict
    hint: str
    helps: tuple[str, ...] = ()
    solution: str = ""

    def __repr__(self) -> str:
        sign, word, _ = _SHOWN[self.verdict]
        return f"{sign} {word} {self.hint}"

    def _repr_html_(self) -> str:
        sign, word, colour = _SHOWN[self.verdict]
        folded = _folded("Show the solution", html.escape(self.solution)) if self.solution else ""
        for place, one in reversed(list(enumerate(self.helps))):
            folded = _folded("A hint" if place == 0 else "A further hint", html.escape(one) + folded)
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
    then : str
        What is to be done.

    Examples
    --------
    >>> print(NotAnsweredYet("How many patients are there?"))
    Your turn. How many patients are there? Put your answer in place of the three dots and run this cell again.
    """

    def __init__(self, question: str, then: str = _DOTS.format("this cell")) -> None:
        self.what = f"{question} {then}"
        self.shown = False
        super().__init__(f"Your turn. {self.what}")

    def _render_traceback_(self) -> list[str]:
        """Show a box in a notebook, and for other programs the sentence alone, in lines that break between words."""
        from IPython.display import HTML, display

        if not self.shown:  # a shell may ask twice
            display(HTML(Feedback("turn", self.what)._repr_html_() + _ONLY_THE_BOX))  # type: ignore[no-untyped-call]
            self.shown = True
        return textwrap.wrap(str(self), _LINE)


def _folded(summary: str, inside: str) -> str:
    return f'<details style="margin-top:.3em"><summary>{summary}</summary><p>{inside}</p></details>'
