"""A question answered by a click: options to choose from, by mouse or keyboard."""

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from analysis.lessons.exercises import ChoiceExercise
from analysis.lessons.feedback import Feedback
from analysis.report.widget_keys import KEYS_ARE_OURS


class Clicked(ABC):
    """What is answered by a click: widgets in a notebook, and where there are none what to write in their place."""

    @abstractmethod
    def widget(self) -> Any:
        """Return the ipywidgets box; ImportError where ipywidgets is not installed."""

    def _ipython_display_(self) -> None:
        from IPython import display as shown

        show: Any = shown.display
        script: Any = shown.Javascript
        try:
            box = self.widget()
        except ImportError:
            print(repr(self))
            return
        show(box)
        show(script(KEYS_ARE_OURS))


@dataclass(frozen=True, eq=False, repr=False)
class Choice(Clicked):
    """The options of an exercise, and what is said to the one chosen.

    Parameters
    ----------
    exercise : ChoiceExercise
        With options.
    judge : callable
        Takes a letter and gives the feedback.
    chosen : str, optional
        The letter chosen before.
    otherwise : str
        What to write where there is nothing to click on.

    Examples
    --------
    >>> exercise = ChoiceExercise("Which?", "b", {"a": "Look again.", "b": "It is."}, {"a": "The first.", "b": "The other."})
    >>> print(Choice(exercise, exercise.judge, otherwise="exercise.judge('a')"))
    a. The first.
    b. The other.
    Answer with its letter: exercise.judge('a')
    """

    exercise: ChoiceExercise
    judge: Callable[[str], Feedback]
    chosen: str | None = None
    otherwise: str = ""

    def __repr__(self) -> str:
        listed = [f"{letter}. {words}" for letter, words in self.exercise.options.items()]
        return "\n".join([*listed, f"Answer with its letter: {self.otherwise}"])

    def widget(self) -> Any:
        """Return the ipywidgets box: the options, a button, and what is said.

        Raises
        ------
        ImportError
            ipywidgets is not installed.
        """
        import ipywidgets

        options = [(f"{letter}. {words}", letter) for letter, words in self.exercise.options.items()]
        known = self.chosen if self.chosen in self.exercise.options else None
        buttons = ipywidgets.RadioButtons(options=options, value=known, layout={"width": "auto", "max_width": "46em"})
        answer = ipywidgets.Button(description="Answer", layout={"width": "auto", "align_self": "flex-start"})
        said = ipywidgets.HTML()

        def tell(_: object = None) -> None:
            if buttons.value is None:
                said.value = '<p role="status">Choose one first.</p>'
            else:
                said.value = self.judge(buttons.value)._repr_html_()

        answer.on_click(tell)
        return ipywidgets.VBox([buttons, answer, said])
