"""A figure of a report: drawn when it is shown, never without a sentence and a table that say the same."""

from __future__ import annotations

import base64
import html
import io
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from analysis.report.parts.look import Width, settings
from analysis.report.parts.typesetting import typeset

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import pandas as pd
    from matplotlib.figure import Figure as Drawing

    from analysis.report.parts.tables import Table

#: Type of the plain description in the notebook that PDF, Word and slides are made from.
FIGURE_TYPE = "application/vnd.kneecurve.figure+json"
#: Pictures keep at most this many colours; flat drawings lose nothing, and pages stay small.
_COLOURS = 192
#: A white dot of a canvas: red, green, blue and opacity, all full.
_PAPER_DOT = 0xFFFFFFFF
_PHONE = "(max-width: 600px)"


@dataclass(frozen=True, eq=False)
class Figure:
    r"""A figure with its title, caption, alternative sentence and data table.

    Parameters
    ----------
    name : str
        Short name.
    title : str
        What is drawn, a few words.
    caption : str
        What a reader must know: what bands are, level and method of intervals, denominators.
    alt : str
        One or two sentences that state, with numbers, what the figure shows.
    table : Table
        The numbers drawn. Lines of single patients are not in it.
    draw : callable
        Takes ``"wide"`` or ``"narrow"`` and returns a matplotlib figure.
    message : str
        What it says in a short sentence without full stop, as the title of a slide; empty where it is not for slides.
    draw_for_slide : callable, optional
        Returns a matplotlib figure that is wide and low, for figures that are high.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.report.parts.look import new_drawing
    >>> from analysis.report.parts.tables import Table
    >>> def draw(width):
    ...     drawing = new_drawing(width, 2.0)
    ...     drawing.add_subplot().plot([0, 1], [2, 3])
    ...     return drawing
    >>> table = Table(pd.DataFrame({"week": [0, 1], "mean": [2, 3]}), "Mean by week.")
    >>> figure = Figure("means", "Means", "Means by week.", "The mean rises from 2 to 3.", table, draw)
    >>> figure.png()[:4]
    b'\x89PNG'
    """

    name: str
    title: str
    caption: str
    alt: str
    table: Table
    draw: Callable[[Width], Drawing]
    message: str = ""
    draw_for_slide: Callable[[], Drawing] | None = None
    _drawn: dict[Width, bytes] = field(default_factory=dict, repr=False)

    @property
    def data(self) -> pd.DataFrame:
        """The numbers drawn, one data frame."""
        return self.table.data

    def drawing(self, width: Width = "wide") -> Drawing:
        """Return a new matplotlib figure, to be changed at will.

        Parameters
        ----------
        width : {"wide", "narrow"}
            For a desk and paper, or for a phone.
        """
        import matplotlib as mpl

        with mpl.rc_context(settings()):
            return self.draw(width)

    def png(self, width: Width = "wide") -> bytes:
        """Return the picture as PNG; the same bytes every time.

        Parameters
        ----------
        width : {"wide", "narrow"}
            For a desk and paper, or for a phone.
        """
        if width not in self._drawn:
            self._drawn[width] = _picture(self.drawing(width))
        return self._drawn[width]

    def describe(self) -> dict[str, Any]:
        """Return the words and the numbers of the figure, in plain lists and dictionaries."""
        for_slide = {}
        if self.draw_for_slide is not None:
            import matplotlib as mpl

            with mpl.rc_context(settings()):
                for_slide = {"png_for_slide": base64.b64encode(_picture(self.draw_for_slide())).decode("ascii")}
        return {
            **for_slide,
            "name": self.name,
            "title": self.title,
            "caption": self.caption,
            "alt": self.alt,
            "message": self.message,
            "table": self.table.describe(),
        }

    def to_html(self) -> str:
        """Return the figure as an HTML fragment: a picture for each width, caption, and its table to unfold."""
        alt = html.escape(self.alt, quote=True)
        caption = f"<strong>{typeset(self.title)}.</strong> {typeset(self.caption)}"
        return (
            f'<figure><picture><source media="{_PHONE}" srcset="{_address(self.png("narrow"))}">'
            f'<img alt="{alt}" src="{_address(self.png())}"></picture>'
            f"<figcaption>{caption}</figcaption>"
            f"<details><summary>The numbers in this figure</summary><p>{typeset(self.alt)}</p>"
            f"{self.table.to_html()}</details></figure>"
        )

    def _repr_mimebundle_(
        self,
        include: object = None,  # noqa: ARG002
        exclude: object = None,  # noqa: ARG002
    ) -> tuple[Mapping[str, Any], Mapping[str, Any]]:
        data = {
            "text/plain": str(self),
            "text/html": self.to_html(),
            "image/png": base64.b64encode(self.png()).decode("ascii"),
            FIGURE_TYPE: self.describe(),
        }
        return data, {"image/png": {"alt": self.alt}}

    def __str__(self) -> str:
        return f"{self.title}. {self.alt}"


def _picture(drawing: Drawing) -> bytes:
    """Draw as PNG of few colours; only what is not paper is searched for them, a tenth of the picture."""
    import numpy as np
    from PIL import Image

    canvas: Any = drawing.canvas
    canvas.draw()
    dots = np.asarray(canvas.buffer_rgba()).view(np.uint32)[..., 0]
    inked = dots != _PAPER_DOT
    inked[0, 0] = True  # so that an empty drawing has a colour too
    ink = Image.frombytes("RGBA", (int(inked.sum()), 1), dots[inked].tobytes()).convert("RGB")
    reduced = ink.quantize(colors=_COLOURS, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    places = np.zeros(dots.shape, dtype=np.uint8)
    places[inked] = np.asarray(reduced)[0] + 1
    small = Image.fromarray(places)
    small.putpalette([255, 255, 255, *(reduced.getpalette() or [])])
    stream = io.BytesIO()
    small.save(stream, format="PNG")
    return stream.getvalue()


def _address(png: bytes) -> str:
    return f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}"
