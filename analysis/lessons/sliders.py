"""A slider that redraws a figure where a kernel runs, and a still picture of all its steps where none does."""

import html
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from analysis.report.parts.figures import Figure


@dataclass(frozen=True, eq=False, repr=False)
class Slider:
    """A figure with a slider, and a still picture that says the same.

    Parameters
    ----------
    label : str
        What is moved.
    values : sequence
        Steps of the slider.
    draw : callable
        Takes a step and returns the figure; each is drawn once.
    still : Figure
        All steps in one picture, for a page without a kernel.
    start : int
        Position of the first step shown.

    Examples
    --------
    >>> from analysis.lessons import start_lesson
    >>> figure = start_lesson(1).two_tests_figure()
    >>> Slider("Week", [26, 52], lambda week: figure, figure).widget().children[0].value
    26
    """

    label: str
    values: Sequence[Any]
    draw: Callable[[Any], Figure]
    still: Figure
    start: int = 0

    def widget(self) -> Any:
        """Return the ipywidgets box: the slider, the picture, and a sentence that says what it shows.

        Raises
        ------
        ImportError
            ipywidgets is not installed.
        """
        import ipywidgets

        drawn = cache(self.draw)
        first = drawn(self.values[self.start])
        slider = ipywidgets.SelectionSlider(
            options=[(str(value), value) for value in self.values],
            value=self.values[self.start],
            description=self.label,
            continuous_update=False,
            style={"description_width": "initial"},
            layout={"width": "34em", "max_width": "100%"},
        )
        picture = ipywidgets.Image(value=first.png(), format="png", layout={"max_width": "46em"})
        sentence = ipywidgets.HTML(value=f'<p role="status">{html.escape(first.alt)}</p>')

        def redraw(change: dict[str, Any]) -> None:
            figure = drawn(change["new"])
            picture.value = figure.png()
            sentence.value = f'<p role="status">{html.escape(figure.alt)}</p>'

        slider.observe(redraw, names="value")
        return ipywidgets.VBox([slider, picture, sentence])

    def _ipython_display_(self) -> None:
        from IPython.display import HTML, display

        try:
            box = self.widget()
        except ImportError:
            display(self.still)  # type: ignore[no-untyped-call]
            return
        display(box)  # type: ignore[no-untyped-call]
        folded = f"<details><summary>All steps in one still picture</summary>{self.still.to_html()}</details>"
        display(HTML(folded))  # type: ignore[no-untyped-call]
