"""The summary of a quarter as a picture for a slide: a row an indicator, its small line among the words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.report.figures.quarters.small_line import draw_small_line
from analysis.report.parts.axes import wrap
from analysis.report.parts.figures import png_of
from analysis.report.parts.look import INK, QUIET, RULE, new_drawing, settings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.figure import Figure as Drawing

    from analysis.quarter import IndicatorChart

#: Rows that a slide holds, beside that of the sites.
MOST_ROWS = 9
_HEIGHT, _HEAD = 3.42, 0.3
#: Left edges in inches of a drawing 7.6 inches wide, and letters in a line.
_PLACES = {"name": (0.0, 28), "value": (1.82, 14), "aim": (2.6, 15), "verdict": (4.72, 19), "to_do": (5.85, 33)}
_LINE_AT, _LINE_WIDTH, _WIDTH = 3.52, 1.08, 7.6
_LARGE, _SMALL, _SPACING = 7.6, 6.6, 1.15


@dataclass(frozen=True)
class SummaryRow:
    """A row of the summary: the words of its cells, the chart of its small line (None for none), and whether it has a signal and its colour."""

    name: str
    value: str
    counts: str
    aim: str
    verdict: str
    to_do: str
    chart: IndicatorChart | None
    signal: bool = False
    colour: str = INK


def summary_picture(rows: Sequence[SummaryRow], heads: Sequence[str], *, more: int = 0) -> bytes:
    """Draw rows under the headings of six columns (PNG); ``more`` rows stand in the report alone, which is said."""
    import matplotlib as mpl

    with mpl.rc_context(settings()):
        return png_of(_draw(rows, heads, more))


def _draw(rows: Sequence[SummaryRow], heads: Sequence[str], more: int) -> Drawing:
    drawing = new_drawing("wide", _HEIGHT)
    drawing.set_layout_engine("none")
    foot = 0.2 if more else 0.04
    each = min((_HEIGHT - _HEAD - foot) / max(len(rows), 1), 0.5)
    starts = [
        *(left for left, _ in list(_PLACES.values())[:3]),
        _LINE_AT,
        *(left for left, _ in list(_PLACES.values())[3:]),
    ]
    for left, head in zip(starts, heads, strict=True):
        _text(drawing, left, _HEIGHT - _HEAD / 2, wrap(head, 18, lines=2), _SMALL, QUIET)
    for place, row in enumerate(rows):
        top = _HEIGHT - _HEAD - place * each
        middle = top - each / 2
        drawing.add_artist(_rule(top))
        cells = {"name": row.name, "value": "", "aim": row.aim, "verdict": row.verdict, "to_do": row.to_do}
        for name, words in cells.items():
            left, letters = _PLACES[name]
            weight = "bold" if name == "verdict" and row.colour != INK else "normal"
            colour = row.colour if name == "verdict" else INK
            size = _SMALL if name == "to_do" else 7.0
            lines = max(2, int(each * 72 / (size * _SPACING)))  # what is cut here is whole in the report
            _text(drawing, left, middle, wrap(words, letters, lines=lines), size, colour, weight)
        left, _ = _PLACES["value"]
        counts = row.counts not in ("", "–")
        _text(drawing, left, middle + (0.062 if counts else 0.0), row.value, _LARGE, INK, "bold")
        if counts:
            _text(drawing, left, middle - 0.068, row.counts, 6.2, QUIET)
        if row.chart is None:
            continue
        height = min(each * 0.8, 0.3)
        box = (_LINE_AT / _WIDTH, (middle - height / 2) / _HEIGHT, _LINE_WIDTH / _WIDTH, height / _HEIGHT)
        draw_small_line(drawing.add_axes(box), row.chart, signal=row.signal)
    if more:
        _text(drawing, 0.0, foot / 2, f"{more} more in the table of the report.", _SMALL, QUIET)
    return drawing


def _rule(top: float):  # type: ignore[no-untyped-def]
    from matplotlib.lines import Line2D

    return Line2D([0.0, 1.0], [top / _HEIGHT, top / _HEIGHT], color=RULE, linewidth=0.7)


def _text(
    drawing: Drawing, left: float, middle: float, words: str, size: float, colour: str, weight: str = "normal"
) -> None:
    drawing.text(
        left / _WIDTH, middle / _HEIGHT, words, fontsize=size, color=colour, fontweight=weight, va="center", ha="left",
        linespacing=_SPACING,
    )  # fmt: skip
