"""A slider that redraws a figure where a kernel runs, and a still picture of all its steps where none does."""

import base64
import html
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import count
from typing import Any

from analysis.report.parts.figures import Figure, png_of

_NUMBERS = count(1)
#: Dots a picture has for each dot of the figure in a report: a learner looks at it large, and from near.
_SHARPER = 2
#: The handle says what stands beside it, with its unit; by itself it says the number of the step.
_HANDLE_SAYS = """
setTimeout(() => {
  const box = document.querySelector(".SLIDER");
  const handle = box && box.querySelector("[role=slider]");
  if (!handle) return;
  handle.setAttribute("aria-label", LABEL);
  const say = () => {
    const words = box.querySelector(".widget-readout").textContent + UNIT;
    if (handle.getAttribute("aria-valuetext") !== words) handle.setAttribute("aria-valuetext", words);
  };
  say();
  new MutationObserver(say).observe(box, {attributes: true, characterData: true, childList: true, subtree: true});
}, 300);
"""


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
        Takes a step and returns the figure; each is drawn once, before the slider is shown, so that moving it is quick.
    make_still : callable
        Returns all steps in one picture, for a page without a kernel.
    start : int
        Position of the first step shown.
    unit : str
        Unit of the steps, for those who hear the page.

    Examples
    --------
    >>> from analysis.lessons import start_lesson
    >>> figure = start_lesson(1).two_tests_figure()
    >>> Slider("Week", [26, 52], lambda week: figure, lambda: figure).widget().children[0].value
    26
    """

    label: str
    values: Sequence[Any]
    draw: Callable[[Any], Figure]
    make_still: Callable[[], Figure]
    start: int = 0
    unit: str = ""

    def pictures(self) -> Iterator[tuple[Any, str]]:
        """Give each step with its picture and the sentence that says what it shows, as HTML."""
        for value in self.values:
            figure = self.draw(value)
            drawing = figure.drawing()
            drawing.set_dpi(_SHARPER * drawing.get_dpi())
            sharp = base64.b64encode(png_of(drawing)).decode("ascii")
            alt = html.escape(figure.alt, quote=True)
            yield (
                value,
                (
                    f'<img src="data:image/png;base64,{sharp}" alt="{alt}" style="width:100%;max-width:46em">'
                    f'<p role="status">{html.escape(figure.alt)}</p>'
                ),
            )

    def widget(self, shown: dict[Any, str] | None = None) -> Any:
        """Return the ipywidgets box: the slider, and the picture with its sentence.

        Parameters
        ----------
        shown : dict, optional
            What :meth:`pictures` gave.

        Raises
        ------
        ImportError
            ipywidgets is not installed.
        """
        import ipywidgets

        drawn = dict(self.pictures()) if shown is None else shown
        slider = ipywidgets.SelectionSlider(
            options=[(str(value), value) for value in self.values],
            value=self.values[self.start],
            description=self.label,
            continuous_update=False,
            style={"description_width": "initial"},
            layout={"width": "34em", "max_width": "100%"},
        )
        picture = ipywidgets.HTML(value=drawn[slider.value])
        slider.observe(lambda change: setattr(picture, "value", drawn[change["new"]]), names="value")
        return ipywidgets.VBox([slider, picture])

    def _ipython_display_(self) -> None:
        from IPython import display as shown

        show: Any = shown.display
        page: Any = shown.HTML
        script: Any = shown.Javascript
        try:
            import ipywidgets  # noqa: F401 - without it the still picture stands alone
        except ImportError:
            show(self.still)
            return
        waiting = show(page(_waiting(0, len(self.values))), display_id=True)
        drawn: dict[Any, str] = {}
        for value, picture in self.pictures():
            drawn[value] = picture
            waiting.update(page(_waiting(len(drawn), len(self.values))))
        still = self.still.to_html()
        box = self.widget(drawn)
        name = f"kneecurve-slider-{next(_NUMBERS)}"
        box.add_class(name)
        waiting.update(page(""))
        show(box)
        unit = f" {self.unit}" if self.unit else ""
        said = _HANDLE_SAYS.replace("SLIDER", name).replace("LABEL", repr(self.label)).replace("UNIT", repr(unit))
        show(script(said))
        show(page(f"<details><summary>All steps in one still picture</summary>{still}</details>"))

    @cached_property
    def still(self) -> Figure:
        """All steps in one picture."""
        return self.make_still()


def _waiting(done: int, total: int) -> str:
    return f'<p role="status">The pictures of the slider are being drawn: {done} of {total}.</p>'
