"""The last periods of an indicator as a small line: its points, what its chart takes for chance, and its target."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.quarter.over_time.control_charts import ControlChart
from analysis.report.figures.quarters.control_chart_figure import LINE, SIGNAL, TARGET, TARGET_DASH
from analysis.report.parts.figures import png_of
from analysis.report.parts.indicator_numbers import HIDDEN, NOT_YET, bare_shower
from analysis.report.parts.look import PAPER, QUIET, settings

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from analysis.quarter import IndicatorChart

#: Periods of a small line: a year of quarters and the same of months.
LAST_QUARTERS, LAST_MONTHS = 4, 12
_INCHES, _DOTS = (1.3, 0.34), 340
_BAND = "#e3e7ea"


def last_values(found: IndicatorChart) -> list[str]:
    """Write the values of the last periods, the oldest first; of one without a value why.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.quarter import Indicator, QuarterCounts, chart_of, release
    >>> rows = [(name, f"2026-Q{q}", "a", n) for q in (1, 2, 3, 4) for name, n in (("seen", 100), ("better", 40 + q))]
    >>> table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    >>> one = Indicator("better", "Better", "share", "outcome", "higher", "better", "seen", "better", "seen")
    >>> shown = release(QuarterCounts((one,), table), "2026-Q4", baseline=["2026-Q1"], window=["2026-Q4"])
    >>> last_values(chart_of(shown, one))
    ['41 %', '42 %', '43 %', '44 %']
    """
    show = bare_shower(found.indicator, found.known_values)
    return [
        NOT_YET if late else HIDDEN if hidden else show(value)
        for value, hidden, late in found.points[["value", "hidden", "not_yet"]]
        .tail(_periods(found))
        .itertuples(index=False)
    ]


def small_line(found: IndicatorChart, *, signal: bool) -> bytes:
    """Draw the last periods of an indicator as a small picture (PNG); empty bytes where none of them has a value.

    ``signal`` says whether the last one has a signal of the release.
    """
    if not np.isfinite(found.points["value"].tail(_periods(found)).to_numpy(dtype=float)).any():
        return b""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure as Drawing

    with mpl.rc_context(settings()):
        drawing = Drawing(figsize=_INCHES, dpi=_DOTS)
        FigureCanvasAgg(drawing)
        draw_small_line(drawing.add_axes((0.0, 0.0, 1.0, 1.0)), found, signal=signal)
        return png_of(drawing)


def draw_small_line(axes: Axes, found: IndicatorChart, *, signal: bool) -> None:
    """Draw the last periods of an indicator into axes without any scale; nothing where none of them has a value."""
    axes.set_axis_off()
    n = _periods(found)
    y = found.points["value"].tail(n).to_numpy(dtype=float)
    seen = np.isfinite(y)
    if not seen.any():
        return
    x = np.arange(len(y))
    low, high = _limits(found, n)
    axes.fill_between(x, low, high, color=_BAND, linewidth=0, zorder=0)
    aim = found.indicator.target
    if np.isfinite(aim):
        axes.axhline(aim, color=TARGET, linewidth=0.9, linestyle=TARGET_DASH, zorder=1)
    axes.plot(x[seen], y[seen], color=LINE, linewidth=1.2, marker="o", markersize=2.6, zorder=3)
    if seen[-1]:
        marker, colour = ("D", SIGNAL) if signal else ("o", LINE)
        axes.plot(x[-1:], y[-1:], linestyle="none", marker=marker, markersize=4.6, color=colour, zorder=4)
    for i in x[~seen]:
        axes.plot([i], [float(np.nanmean(y))], linestyle="none", marker="x", markersize=3.0, color=QUIET, zorder=2)
    ends = np.array([*y[seen], *low[np.isfinite(low)], *high[np.isfinite(high)], *([aim] if np.isfinite(aim) else [])])
    margin = 0.2 * (float(ends.max() - ends.min()) or abs(float(ends.max())) or 1.0)
    axes.set_ylim(ends.min() - margin, ends.max() + margin)
    axes.set_xlim(-0.25, len(y) - 0.75)
    axes.patch.set_facecolor(PAPER)


def _limits(found: IndicatorChart, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Give the limits of the last periods; missing for run charts."""
    if not isinstance(found.chart, ControlChart):
        none = np.full(min(n, len(found.points)), np.nan)
        return none, none
    low, high = (found.chart.table[name].tail(n).to_numpy(dtype=float) for name in ("lower", "upper"))
    return low, high


def _periods(found: IndicatorChart) -> int:
    return LAST_QUARTERS if "Q" in str(found.points["period"].iloc[-1]) else LAST_MONTHS
