"""A figure of a report: drawn when it is shown, never without a sentence and a table that say the same."""

from __future__ import annotations

import base64
import html
import io
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Self, get_args

import pandas as pd

from analysis.errors import ReportError
from analysis.report.parts.drawing_files import ORDER, DrawingFiles, DrawingOrder, drawing_files
from analysis.report.parts.look import PRINT_INCHES, Width, drawn_at, settings
from analysis.report.parts.part import Part
from analysis.report.parts.tables import Table
from analysis.report.parts.typesetting import in_front, typeset

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

#: For a desk and paper, for a phone, for a slide, over both columns of a printed page.
Place = Literal["wide", "narrow", "slide", "print"]
#: Pictures keep at most this many colours; flat drawings lose nothing, and pages stay small.
_COLOURS = 192
#: A white dot of a canvas: red, green, blue and opacity, all full.
_PAPER_DOT = 0xFFFFFFFF


@dataclass(frozen=True, eq=False)
class Figure(Part):
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
    draw_for_print : callable, optional
        Returns one that is as low as it can be with all that the caption says, for a page of which a figure takes the width.
    made : DrawingFiles, optional
        Files for a journal, where it was read from a notebook that was run for them.

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

    part: ClassVar[str] = "figure"

    name: str
    title: str
    caption: str
    alt: str
    table: Table
    draw: Callable[[Width], Drawing]
    message: str = ""
    draw_for_slide: Callable[[], Drawing] | None = None
    draw_for_print: Callable[[], Drawing] | None = None
    made: DrawingFiles | None = field(default=None, repr=False)
    _drawn: dict[Place, bytes] = field(default_factory=dict, repr=False)

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

    def png(self, place: Place = "wide") -> bytes:
        """Return the picture as PNG; the same bytes every time.

        Parameters
        ----------
        place : {"wide", "narrow", "slide", "print"}
            For a desk and paper, for a phone, for a slide or a printed page: the wide one where none was made for these two.
        """
        if place in ("slide", "print") and place not in self._drawn:
            draw = self.draw_for_slide if place == "slide" else self.draw_for_print
            if draw is None:
                return self.png()
            import matplotlib as mpl

            inches = PRINT_INCHES if place == "print" else None
            with drawn_at(inches), mpl.rc_context(settings()):
                self._drawn[place] = png_of(draw())
        elif place not in self._drawn:
            self._drawn[place] = png_of(self.drawing("narrow" if place == "narrow" else "wide"))
        return self._drawn[place]

    def words(self) -> dict[str, Any]:
        """Return the words and the numbers of the figure, in plain lists and dictionaries."""
        return {
            "name": self.name,
            "title": self.title,
            "caption": self.caption,
            "alt": self.alt,
            "message": self.message,
            "table": self.table.words(),
        }

    def to_json(self) -> dict[str, Any]:
        """Return the words, the numbers and the pictures of the figure, in plain lists and dictionaries.

        Files for a journal are among them where the environment of the process asks for them.
        """
        places = [place for place in get_args(Place) if place == "wide" or self.png(place) is not self.png()]
        pictures = {place: _in_text(self.png(place)) for place in places}
        shown = {**self.words(), "table": self.table.to_json(), "pictures": pictures}
        order = DrawingOrder.from_text(os.environ[ORDER]) if ORDER in os.environ else None
        if order and order.wants(self.title):
            shown["made"] = drawing_files(self.draw, order).to_json()
        return shown

    @classmethod
    def from_json(cls, shown: Mapping[str, Any]) -> Self:
        """Give back a figure with its pictures; it cannot be drawn again."""

        def draw(width: Width) -> Drawing:  # noqa: ARG001
            raise ReportError(
                f"The figure {shown['title']!r} was read from a notebook: it has its pictures and numbers only.",
                what_to_do="Run the cell of the notebook that makes the figure, and draw that one.",
            )

        pictures = {place: base64.b64decode(text) for place, text in shown["pictures"].items()}
        texts = {name: shown[name] for name in ("name", "title", "caption", "alt", "message")}
        made = DrawingFiles.from_json(shown["made"]) if "made" in shown else None
        return cls(**texts, table=Table.from_json(shown["table"]), draw=draw, made=made, _drawn=pictures)

    def to_html(self, *, page: bool = False, called: str = "") -> str:
        """Return the figure as an HTML fragment: the picture, caption, and its table to unfold.

        Parameters
        ----------
        page : bool
            Whether both pictures are in it, for the style of a page to choose from. A browser that chose by itself
            would keep its choice when it prints, so that a phone would print narrow figures.
        called : str
            What a document calls it, before its title: Figure 2.
        """
        alt = html.escape(self.alt, quote=True)
        wide, narrow = _address(self.png()), _address(self.png("narrow"))
        picture = f'<img class="wide" alt="{alt}" src="{wide}">'
        picture += f'<img class="narrow" alt="{alt}" src="{narrow}">' if page else ""
        caption = f"{in_front(called)}<strong>{typeset(self.title)}.</strong> {typeset(self.caption)}"
        return (
            f"<figure>{picture}<figcaption>{caption}</figcaption>"
            f"<details><summary>The numbers in this figure</summary>"
            f"{self.table.to_html()}</details></figure>"
        )

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> Any:
        data = {**super()._repr_mimebundle_(include, exclude), "image/png": _in_text(self.png())}
        return data, {"image/png": {"alt": self.alt}}

    def __str__(self) -> str:
        return f"{self.title}. {self.alt}"


def png_of(drawing: Drawing) -> bytes:
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
    return f"data:image/png;base64,{_in_text(png)}"


def _in_text(png: bytes) -> str:
    return base64.b64encode(png).decode("ascii")
