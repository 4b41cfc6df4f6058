"""Files of a drawing for a journal: drawn at the width of its column, as vectors or as dots of a given number an inch."""

from __future__ import annotations

import base64
import io
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal, Self

from analysis.report.parts.look import Width, drawn_at, settings

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

#: No EPS: it has no transparency, so that the bands of intervals would hide one another.
DrawingForm = Literal["svg", "pdf", "tiff", "png"]
#: Names the variable of the environment by which the kernel that runs a notebook knows what is asked of its figures.
ORDER = "KNEECURVE_DRAWINGS"
#: From this width on (mm) a figure is drawn as for a desk, with panels beside each other; below it as for a phone.
WIDE_FROM = 165.0
_MM_PER_INCH = 25.4
#: A part of a letter, in inches, that may stand beyond the edge before a drawing counts as cut.
_BEYOND = 0.03
#: Letters: in an SVG their outlines, since no program that opens it has to have the font; in PDF the font itself, as
#: TrueType (42), since journals refuse the outlines of type 3 that matplotlib embeds by default.
_VECTORS: dict[str, Any] = {"svg.fonttype": "path", "svg.hashsalt": "kneecurve", "pdf.fonttype": 42}
#: What a form says of itself; without the time, so that equal drawings are equal bytes.
_SAID: dict[DrawingForm, dict[str, Any]] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}
_DOTS: dict[DrawingForm, dict[str, Any]] = {"tiff": {"compression": "tiff_lzw"}, "png": {}}


@dataclass(frozen=True)
class DrawingOrder:
    """What is asked of every figure of a run.

    Parameters
    ----------
    forms : tuple of str
        Forms of :data:`DrawingForm`.
    width_mm : float
        Width of the drawings.
    dpi : int
        Dots an inch of TIFF and PNG, and of what stays dots in vectors.
    titles : tuple of str
        Beginnings of the titles of the figures that are wanted; empty for all.

    Examples
    --------
    >>> order = DrawingOrder(("tiff",), 85.0, 600)
    >>> order.dots, order.width, DrawingOrder.from_text(order.to_text()) == order
    (2008, 'narrow', True)
    """

    forms: tuple[DrawingForm, ...]
    width_mm: float
    dpi: int
    titles: tuple[str, ...] = ()

    @property
    def inches(self) -> float:
        """Width in inches."""
        return self.width_mm / _MM_PER_INCH

    @property
    def dots(self) -> int:
        """Width in dots."""
        return round(self.inches * self.dpi)

    @property
    def width(self) -> Width:
        """Which of its two drawings a figure has at that width."""
        return "wide" if self.width_mm >= WIDE_FROM else "narrow"

    def wants(self, title: str) -> bool:
        """Say whether the figure of that title is wanted."""
        return not self.titles or title.startswith(self.titles)

    def to_text(self) -> str:
        """Write it for the environment of a kernel."""
        return json.dumps(asdict(self))

    @classmethod
    def from_text(cls, text: str) -> Self:
        """Read it from there."""
        read = json.loads(text)
        return cls(tuple(read["forms"]), float(read["width_mm"]), int(read["dpi"]), tuple(read["titles"]))


@dataclass(frozen=True)
class DrawingFiles:
    """The files of one figure.

    Parameters
    ----------
    files : mapping of str to bytes
        By their form.
    height_mm : float
        Height of the drawing.
    cut : bool
        Whether the width was too small, so that something drawn stands beyond the edges.
    """

    files: Mapping[DrawingForm, bytes]
    height_mm: float
    cut: bool

    def to_json(self) -> dict[str, Any]:
        """Return them in plain lists and dictionaries."""
        files = {form: base64.b64encode(file).decode("ascii") for form, file in self.files.items()}
        return {"files": files, "height_mm": self.height_mm, "cut": self.cut}

    @classmethod
    def from_json(cls, shown: Mapping[str, Any]) -> Self:
        """Give back what :meth:`to_json` described."""
        files = {form: base64.b64decode(text) for form, text in shown["files"].items()}
        return cls(files, float(shown["height_mm"]), bool(shown["cut"]))


def drawing_files(draw: Callable[[Width], Drawing], order: DrawingOrder) -> DrawingFiles:
    """Draw a figure in every form of an order; the same bytes every time.

    Examples
    --------
    >>> from analysis.report.parts.look import new_drawing
    >>> made = drawing_files(lambda width: new_drawing(width, 2.0), DrawingOrder(("svg", "tiff"), 85.0, 300))
    >>> made.files["svg"][:5], made.files["tiff"][:2], round(made.height_mm, 1), made.cut
    (b'<?xml', b'II', 50.8, False)
    """
    import matplotlib as mpl

    with drawn_at(order.inches), mpl.rc_context(settings() | _VECTORS):
        drawing = draw(order.width)
        drawing.set_dpi(order.dpi)
        height = float(drawing.get_figheight()) * _MM_PER_INCH
        vectors = {form: _vectors(drawing, form, order.dpi) for form in order.forms if form in _SAID}
        in_dots = [form for form in order.forms if form in _DOTS]
        picture = _picture(drawing, order) if in_dots else None
        files = {**vectors, **{form: _in_dots(picture, form, order.dpi) for form in in_dots}}
        return DrawingFiles({form: files[form] for form in order.forms}, height, _is_cut(drawing))


def _vectors(drawing: Drawing, form: DrawingForm, dpi: int) -> bytes:
    stream = io.BytesIO()
    drawing.savefig(stream, format=form, dpi=dpi, metadata=_SAID[form])
    return stream.getvalue()


def _picture(drawing: Drawing, order: DrawingOrder) -> Any:
    """Draw in so many whole dots, as a picture of red, green and blue."""
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    # A hundredth more, since the dots are cut to a whole number.
    drawing.set_size_inches(
        (order.dots + 0.01) / order.dpi, (round(drawing.get_figheight() * order.dpi) + 0.01) / order.dpi
    )
    canvas: Any = FigureCanvasAgg(drawing)
    canvas.draw()
    return Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")


def _in_dots(picture: Any, form: DrawingForm, dpi: int) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, format=form, dpi=(dpi, dpi), **_DOTS[form])
    return stream.getvalue()


def _is_cut(drawing: Drawing) -> bool:
    """Say whether anything drawn stands beyond the edges."""
    whole, paper = drawing.get_tightbbox(), drawing.bbox_inches
    beyond = max(paper.x0 - whole.x0, paper.y0 - whole.y0, whole.x1 - paper.x1, whole.y1 - paper.y1)
    return bool(beyond > _BEYOND)
