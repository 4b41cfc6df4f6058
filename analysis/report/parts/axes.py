"""Parts that several figures share: panels, the week axis, numbers seen under it, direct labels, wrapped names."""

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing
from matplotlib.figure import SubFigure
from matplotlib.lines import Line2D

from analysis.report.parts import numbers
from analysis.report.parts.look import INK, QUIET, Mark, Width, inches_of, new_drawing, spread

#: Room a number of ordinary size needs under the axis, in inches.
_INCHES_PER_NUMBER = 0.27
_POINTS_PER_ROW = 12.0
#: Names of lines nearer to each other than this part of the axis would lie over each other.
_TOO_NEAR = 0.04
_LABEL = 20


def panel_grid(
    n: int, width: Width, *, height: float, above: float = 0.0, most: int = 3, **shared: Any
) -> tuple[Drawing, Any]:
    """Return a new drawing with so many panels, beside each other at a desk and one below another on a phone.

    Places left over in the last row stay empty. ``height`` is inches of a row of panels, ``above`` of what stands above and below
    them all; ``most`` panels stand beside each other at a desk; ``shared`` are ``sharex`` and ``sharey``. The panels come in
    an array, row by row.

    Examples
    --------
    >>> panel_grid(5, "wide", height=2.0)[1].shape, panel_grid(5, "narrow", height=2.0)[1].shape
    ((2, 3), (5, 1))
    """
    columns = min(n, most) if width == "wide" else 1
    rows = math.ceil(n / columns)
    drawing = new_drawing(width, above + height * rows)
    panels = drawing.subplots(rows, columns, squeeze=False, **shared)
    for axes in panels.flat[n:]:
        axes.set_axis_off()
    return drawing, panels


def week_axis(axes: Axes, weeks: Sequence[float], *, inches: float) -> list[float]:
    """Put a tick at each week that was scheduled, as many as there is room for; give the weeks that have a number.

    A day that is no whole week has its own name below the tick.
    """
    ordered = sorted({float(week) for week in weeks})
    span = max(ordered[-1] - ordered[0], 1e-9)
    margin = 0.03 * span if len(ordered) > 1 else 1.0
    axes.set_xlim(ordered[0] - margin, ordered[-1] + margin)
    kept = with_room(ordered, _INCHES_PER_NUMBER * (span + 2 * margin) / inches)
    axes.set_xticks(kept, [numbers.week_or_day(week).replace(" ", "\n") for week in kept])
    axes.set_xlabel("Weeks")
    return kept


def with_room(positions: Sequence[float], least: float) -> list[float]:
    """Keep the positions that leave ``least`` between neighbours; the first and the last are always kept.

    Examples
    --------
    >>> with_room([0, 2, 6, 12, 52], 3)
    [0, 6, 12, 52]
    """
    ordered = sorted(positions)
    if len(ordered) < 3:
        return ordered
    kept = [ordered[0]]
    for position in ordered[1:-1]:
        if position - kept[-1] >= least and ordered[-1] - position >= least:
            kept.append(position)
    return [*kept, ordered[-1]]


def numbers_under(axes: Axes, counts: pd.DataFrame, drawn: Mapping[str, Mark], weeks: Sequence[float]) -> None:
    """Write how many patients were seen under each week, a row a protocol, and move the axis label below.

    ``counts`` has protocol, week and n; ``weeks`` are those that have a number under the axis.
    """
    place = axes.get_xaxis_transform()
    known = {
        (str(protocol), float(week)): int(n)
        for protocol, week, n in zip(counts["protocol"], counts["week"], counts["n"], strict=True)
    }
    top = -20.0
    common: dict[str, Any] = {"textcoords": "offset points", "va": "center", "annotation_clip": False}
    axes.annotate(
        "seen", xy=(0, 0), xycoords=("axes fraction", "axes fraction"), xytext=(-17, top), ha="right",
        fontsize=7, color=QUIET, **common,
    )  # fmt: skip
    for row, (protocol, mark) in enumerate(drawn.items()):
        down = top - row * _POINTS_PER_ROW
        axes.annotate(
            _glyph(mark), xy=(0, 0), xycoords="axes fraction", xytext=(-10, down), ha="center", fontsize=7.5,
            color=mark.colour, **common,
        )  # fmt: skip
        for week in weeks:
            if (protocol, week) in known:
                axes.annotate(
                    numbers.count(known[protocol, week]), xy=(week, 0), xycoords=place, xytext=(0, down), ha="center",
                    fontsize=7.5, color=mark.colour, **common,
                )  # fmt: skip
    axes.xaxis.labelpad = 6 + len(drawn) * _POINTS_PER_ROW


def label_ends(
    axes: Axes, ends: Mapping[str, tuple[float, float]], drawn: Mapping[str, Mark], *, inches: float
) -> None:
    """Name lines at their right end instead of in a legend, moved apart where they would overlap.

    ``ends`` are the last week and value of each line, ``inches`` the height of the axes, whose limits are set.
    """
    if not ends:
        return
    names = {name: wrap(name, _LABEL) for name in ends}
    lines = max(text.count("\n") + 1 for text in names.values())
    low, high = axes.get_ylim()
    least = (high - low) / inches * 0.155 * lines
    places = spread([value for _, value in ends.values()], least, min(low, high), max(low, high))
    right = max(week for week, _ in ends.values())
    for (name, (_, value)), place in zip(ends.items(), places, strict=True):
        mark = drawn[name]
        line = {"arrowstyle": "-", "color": mark.colour, "linewidth": 0.6} if abs(place - value) > least / 3 else None
        axes.annotate(
            f"{_glyph(mark)} {names[name]}", xy=(right, value), xytext=(1.02, place), xycoords="data",
            textcoords=axes.get_yaxis_transform(), ha="left", va="center", fontsize=8, color=mark.colour,
            fontweight="bold", annotation_clip=False, arrowprops=line, linespacing=1.05,
        )  # fmt: skip


def name_lines(axes: Axes, at: float, lines: Mapping[str, tuple[float, str]]) -> None:
    """Write the names of level lines (value, colour) to the right of where they end; those that lie together one below another."""
    low, high = axes.get_ylim()
    together: list[tuple[float, str, list[str]]] = []
    for name, (value, colour) in lines.items():
        near = [names for other, _, names in together if abs(value - other) < _TOO_NEAR * (high - low)]
        if near:
            near[0].append(name)
        else:
            together.append((value, colour, [name]))
    for value, colour, names in together:
        axes.annotate(
            "\n".join(names), xy=(at, value), xytext=(4, 0), textcoords="offset points", color=colour, fontsize=7.5, va="center",
            annotation_clip=False,
        )  # fmt: skip


def legend_above(drawing: Drawing | SubFigure, drawn: Mapping[str, Mark], width: Width, *, most: int = 3) -> None:
    """Name the protocols above the panels, where there is no room beside the lines.

    At a desk ``most`` names stand beside each other, on a phone one below another.
    """
    handles = [
        Line2D([], [], color=mark.colour, marker=mark.marker, linestyle=mark.dash, label=wrap(name, 40))
        for name, mark in drawn.items()
    ]
    columns = min(len(drawn), most) if width == "wide" else 1
    drawing.legend(handles=handles, loc="outside upper left", ncols=columns, handlelength=2.6, borderaxespad=0.2)


def key_above(drawing: Drawing, marks: Sequence[Line2D], width: Width, *, most: int = 3) -> None:
    """Say above the panels what marks and lines are, by their labels; ``most`` beside each other at a desk, one on a phone."""
    drawing.legend(
        handles=list(marks), loc="outside upper left", ncols=min(len(marks), most) if width == "wide" else 1,
        handlelength=1.6, borderaxespad=0.2, columnspacing=1.4, fontsize=7.5,
    )  # fmt: skip


def wrap(name: str, width: int, *, lines: int = 3) -> str:
    r"""Break a name into lines, at most so many; what is left over is cut with an ellipsis.

    Examples
    --------
    >>> wrap("home stimulation and early motion", 20)
    'home stimulation and\nearly motion'
    """
    return "\n".join(textwrap.wrap(str(name), width, max_lines=lines, placeholder=" …") or [""])


def axes_inches(width: Width, *, columns: int = 1, right: float = 0.2) -> float:
    """Return about how wide the axes of a figure are."""
    return (inches_of(width) - 0.6 - right) / columns


def draw_estimates(axes: Axes, one: pd.DataFrame, mark: Mark, *, smooth: bool) -> None:
    """Draw estimates by week with their intervals: bars, or a line with a band where the curve is smooth.

    ``one`` has week, estimate, lower and upper of one protocol.
    """
    if smooth:
        axes.plot(one["week"], one["estimate"], color=mark.colour, linestyle=mark.dash, zorder=4)
        axes.fill_between(one["week"], one["lower"], one["upper"], color=mark.colour, alpha=0.16, linewidth=0, zorder=2)
        return
    errors = np.abs([one["estimate"] - one["lower"], one["upper"] - one["estimate"]])
    axes.errorbar(
        one["week"], one["estimate"], yerr=errors, color=mark.colour, marker=mark.marker, linestyle="none",
        elinewidth=1.2, capsize=2.5, zorder=4,
    )  # fmt: skip


def zero_line(axes: Axes, *, across: bool = True) -> None:
    """Draw the line of no difference."""
    (axes.axhline if across else axes.axvline)(0, color=INK, linewidth=0.9, zorder=1)


def _glyph(mark: Mark) -> str:
    return {"o": "●", "s": "■", "^": "▲", "D": "◆", "v": "▼", "P": "✚", "X": "✖", "p": "⬟"}[mark.marker]
