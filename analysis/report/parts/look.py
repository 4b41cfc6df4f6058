"""The look of figures: colours that colour-blind readers tell apart, with markers and dashes that say the same."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawing

#: Drawn wide for a desk and for paper, narrow for a phone.
Width = Literal["wide", "narrow"]

WIDTH_INCHES: dict[Width, float] = {"wide": 7.6, "narrow": 3.6}
#: Width of what is drawn for a printed page, on A4 with narrow margins.
PRINT_INCHES = 7.08
DOTS_PER_INCH = 170
#: Inches of the width that was asked for, such as that of a journal's column; None for the usual ones.
_ASKED: ContextVar[float | None] = ContextVar("asked", default=None)
#: How marks and lines of single patients are drawn: as dots in every form, since in a vector their values could be read.
OF_PATIENTS: Mapping[str, Any] = {"rasterized": True}

INK = "#20262b"
QUIET = "#5b646b"
FAINT = "#b9c0c5"
RULE = "#dfe3e6"
PAPER = "#ffffff"

# The hues of Okabe and Ito (2008), darkened until text in each has a contrast of at least 4.5 on white.
_COLOURS = ("#3d464d", "#0067a3", "#b84a00", "#00755a", "#9c3f7e", "#7a6200", "#4a5fc1", "#8c2d2d")
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "p")
_DASHES: tuple[Any, ...] = ("-", (0, (6, 2)), (0, (2, 1.4)), (0, (7, 2, 1.5, 2)))

#: More protocols than this are drawn in panels of their own rather than over each other.
MOST_IN_ONE_PANEL = 4
#: More rows than this are drawn lower for a slide, inches a row: a high picture would be shrunk there until nobody reads it.
MOST_HIGH_ROWS, LOW_ROW = 6, 0.27


#: Protocols among which the marks are given, where :func:`marks_among` said so.
_AMONG: ContextVar[Sequence[str]] = ContextVar("_AMONG", default=())


@dataclass(frozen=True)
class Mark:
    """How one protocol is drawn wherever it appears: a hexadecimal colour, and marker and line style of matplotlib."""

    colour: str
    marker: str
    dash: Any


def marks(names: Sequence[str]) -> dict[str, Mark]:
    """Give each protocol its colour, marker and dash; the first, the reference, is dark grey.

    Colours, markers and dashes run through cycles of different length, so that no two of 32 agree.

    Examples
    --------
    >>> marks(["usual", "early"])["early"].colour
    '#0067a3'
    """
    among = _AMONG.get()
    order = among if set(map(str, names)) <= set(among) else [str(name) for name in names]
    return {
        str(name): Mark(
            _COLOURS[position % len(_COLOURS)],
            _MARKERS[(position + position // len(_COLOURS)) % len(_MARKERS)],
            _DASHES[(position + position // len(_COLOURS)) % len(_DASHES)],
        )
        for name, position in ((name, order.index(str(name))) for name in names)
    }


@contextmanager
def marks_among(names: Sequence[str]) -> Iterator[None]:
    """Draw protocols as they are among all of these, also where some are left out.

    Examples
    --------
    >>> with marks_among(["usual", "early", "late"]):
    ...     marks(["usual", "late"])["late"] == marks(["usual", "early", "late"])["late"]
    True
    """
    before = _AMONG.set([str(name) for name in names])
    try:
        yield
    finally:
        _AMONG.reset(before)


def without_markers(drawn: Mapping[str, Mark], *, dashes: bool = True) -> dict[str, Mark]:
    """Return the same colours for lines that have no markers; solid ones where the dashes do not stay."""
    return {name: Mark(mark.colour, "None", mark.dash if dashes else "-") for name, mark in drawn.items()}


def settings() -> Any:
    """Return the matplotlib settings of every figure."""
    return {
        "font.family": ["DejaVu Sans"],
        "font.size": 19,
        "axes.titlesize": 9,
        "axes.titleweight": "bold",
        "axes.titlelocation": "left",
        "axes.labelsize": 8.5,
        "axes.labelcolor": INK,
        "axes.edgecolor": QUIET,
        "axes.linewidth": 0.8,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.facecolor": PAPER,
        "figure.facecolor": PAPER,
        "text.color": INK,
        "text.parse_math": False,
        "xtick.color": QUIET,
        "ytick.color": QUIET,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "xtick.labelsize": 8,
        "ytick.labelsize": 8,
        "lines.linewidth": 1.8,
        "lines.markersize": 5,
        "legend.frameon": False,
        "legend.fontsize": 8,
        "axes.unicode_minus": True,
        "savefig.facecolor": PAPER,
    }


def inches_of(width: Width) -> float:
    """Return how wide a drawing is, in inches.

    Examples
    --------
    >>> with drawn_at(3.25):
    ...     inches_of("narrow")
    3.25
    >>> inches_of("narrow")
    3.6
    """
    asked = _ASKED.get()
    return WIDTH_INCHES[width] if asked is None else asked


@contextmanager
def drawn_at(inches: float | None) -> Iterator[None]:
    """Let everything be drawn at a width of so many inches meanwhile, with letters of their usual size; None for the usual."""
    before = _ASKED.set(inches)
    try:
        yield
    finally:
        _ASKED.reset(before)


def new_drawing(width: Width, height: float, **more: Any) -> Drawing:
    """Return an empty matplotlib figure that belongs to nobody else (no pyplot state), so many inches high."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure as Drawing

    drawing = Drawing(figsize=(inches_of(width), height), dpi=DOTS_PER_INCH, layout="constrained", **more)
    FigureCanvasAgg(drawing)
    return drawing


def quiet_grid(axes: Axes, axis: Literal["x", "y", "both"] = "y") -> None:
    """Draw faint lines behind the data."""
    axes.grid(visible=True, axis=axis, color=RULE, linewidth=0.7)
    axes.set_axisbelow(True)


def spread(positions: Sequence[float], least: float, lowest: float, highest: float) -> list[float]:
    """Move positions apart until neighbours are at least ``least`` away from each other, in the same order.

    The bounds are kept where there is room.

    Examples
    --------
    >>> [round(float(place), 2) for place in spread([1.0, 1.1, 3.0], 0.5, 0.0, 4.0)]
    [0.8, 1.3, 3.0]
    """
    order = sorted(range(len(positions)), key=lambda index: positions[index])
    clusters: list[tuple[list[int], float]] = []
    for index in order:
        clusters.append(([index], float(positions[index])))
        while len(clusters) > 1 and _top(clusters[-2], least) + least > _bottom(clusters[-1], least) + 1e-12:
            (lower, centre_lower), (upper, centre_upper) = clusters[-2], clusters[-1]
            centre = (centre_lower * len(lower) + centre_upper * len(upper)) / (len(lower) + len(upper))
            clusters[-2:] = [(lower + upper, centre)]
    places = [0.0] * len(positions)
    for members, centre in clusters:
        half = least * (len(members) - 1) / 2
        moved = min(max(centre, lowest + half), max(highest - half, lowest + half))
        for step, index in enumerate(members):
            places[index] = moved - half + step * least
    return places


def _top(cluster: tuple[list[int], float], least: float) -> float:
    return cluster[1] + least * (len(cluster[0]) - 1) / 2


def _bottom(cluster: tuple[list[int], float], least: float) -> float:
    return cluster[1] - least * (len(cluster[0]) - 1) / 2
