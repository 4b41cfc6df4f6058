"""Names beside marks, each where nothing else lies: no mark, no other name, and within the axes."""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.text import Annotation
from matplotlib.transforms import Bbox

from analysis.report.parts.look import INK, PAPER, QUIET

#: What is written over lines stays readable.
_ON_PAPER: dict[str, Any] = {"boxstyle": "square,pad=0.08", "facecolor": PAPER, "edgecolor": "none", "alpha": 0.8}
#: Points between a mark and its name, and how far a name may move away before a line leads to it.
_NEAR, _LED = 3.5, 6.0
#: Points by which places are tried further and further away, and the directions (degrees) in their order.
_STEPS = (0.0, 5.0, 11.0, 18.0, 27.0, 38.0, 52.0, 70.0, 92.0, 120.0)
_DIRECTIONS = (0, 180, 90, 270, 35, 145, 325, 215, 65, 115, 245, 295)


def name_marks(
    axes: Axes, names: Sequence[str], places: Sequence[tuple[float, float]], taken: Sequence[tuple[float, float]]
) -> list[str]:
    """Write names beside marks where nothing else lies; limits and everything else of the axes are set before.

    Parameters
    ----------
    axes : Axes
        The axes.
    names : sequence of str
        Names, the most important first.
    places : sequence of (float, float)
        The marks that they name, in units of the axes.
    taken : sequence of (float, float)
        Every mark, in units of the axes.

    Returns
    -------
    list of str
        Names for which there is no place.
    """
    drawing = axes.figure.get_figure(root=True)
    drawing.draw_without_rendering()
    renderer = drawing.canvas.get_renderer()  # type: ignore[attr-defined]
    dot = drawing.dpi / 72
    frame = axes.get_window_extent(renderer).padded(-2 * dot)
    sizes = [line.get_markersize() for line in axes.lines if line.get_linestyle() == "None"]
    radius = (max(sizes, default=5.0) / 2 + 1.0) * dot
    marks = [_square(axes.transData.transform(one), radius) for one in taken]
    marks += [text.get_window_extent(renderer) for text in axes.texts if text.get_text()]
    left_out = []
    for name, at in zip(names, places, strict=True):
        text = axes.annotate(
            name, xy=at, xytext=(0, 0), textcoords="offset points", fontsize=7.5, color=INK, ha="center", va="center",
            zorder=5, bbox=_ON_PAPER,
        )  # fmt: skip
        size = text.get_window_extent(renderer)
        here = axes.transData.transform(at)
        for shift in _shifts(size.width / dot, size.height / dot, radius / dot):
            box = _box(here, np.multiply(shift, dot), size)
            if _inside(box, frame) and not any(_overlap(box, one) for one in marks):
                marks.append(box.padded(2 * dot))
                _move(axes, text, shift, size.width / dot, size.height / dot, radius / dot)
                break
        else:
            text.remove()
            left_out.append(name)
    return left_out


def _shifts(wide: float, high: float, radius: float) -> Iterator[tuple[float, float]]:
    """Give places of the middle of a name, in points from its mark, the nearest first."""
    for step in _STEPS:
        for direction in _DIRECTIONS:
            x, y = np.cos(np.radians(direction)), np.sin(np.radians(direction))
            away = radius + _NEAR + step
            yield x * away + np.sign(round(x, 9)) * wide / 2, y * away + np.sign(round(y, 9)) * high / 2


def _move(axes: Axes, text: Annotation, shift: tuple[float, float], wide: float, high: float, radius: float) -> None:
    text.set_position(shift)
    gap = np.hypot(max(abs(shift[0]) - wide / 2, 0.0), max(abs(shift[1]) - high / 2, 0.0)) - radius
    if gap > _LED:
        axes.annotate(
            "", xy=text.xy, xytext=(np.sign(shift[0]) * max(abs(shift[0]) - wide / 2, 0.0),
                                    np.sign(shift[1]) * max(abs(shift[1]) - high / 2, 0.0)),
            textcoords="offset points", arrowprops={"arrowstyle": "-", "color": QUIET, "linewidth": 0.6, "shrinkA": 0},
            zorder=3,
        )  # fmt: skip


def _square(middle: np.ndarray, radius: float) -> Bbox:
    return Bbox.from_extents(middle[0] - radius, middle[1] - radius, middle[0] + radius, middle[1] + radius)


def _box(here: np.ndarray, shift: np.ndarray, size: Bbox) -> Bbox:
    x, y = here + shift
    return Bbox.from_extents(x - size.width / 2, y - size.height / 2, x + size.width / 2, y + size.height / 2)


def _inside(box: Bbox, frame: Bbox) -> bool:
    return bool(box.x0 >= frame.x0 and box.x1 <= frame.x1 and box.y0 >= frame.y0 and box.y1 <= frame.y1)


def _overlap(one: Bbox, other: Bbox) -> bool:
    return bool(min(one.x1, other.x1) > max(one.x0, other.x0) and min(one.y1, other.y1) > max(one.y0, other.y0))
