"""The figure of an indicator over time: a control chart, or a run chart where there are too few points."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from analysis.quarter import IndicatorChart, RunChart
from analysis.quarter.over_time.control_charts import ControlChart
from analysis.quarter.over_time.run_chart import RULES as RUN_RULES
from analysis.quarter.over_time.special_causes import RULES
from analysis.quarter.periods import period_number, quarter_in_words, quarter_of
from analysis.report.parts import numbers
from analysis.report.parts.axes import key_above, name_lines, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.indicator_numbers import (
    HIDDEN_NOTE,
    axis_factor,
    axis_label,
    bare_shower,
    limits_text,
    text_columns,
    value_shower,
    with_text,
)
from analysis.report.parts.look import INK, PAPER, QUIET, Width, new_drawing, quiet_grid
from analysis.report.parts.tables import Column, Table

LINE, SIGNAL, CHANGE = "#0067a3", "#b84a00", "#00755a"
TARGET, TARGET_DASH = "#9c3f7e", (0, (7, 2, 1.5, 2))
_BASELINE = "#eef2f4"
_INCHES_PER_LABEL = 0.62
_SLIDE_HEIGHT = 3.7
#: Marks of points that meet a rule of the chart, and of those with a signal of the release.
_LOOK: dict[str, Any] = {
    "linestyle": "none", "marker": "D", "markersize": 6.5, "color": SIGNAL, "markerfacecolor": PAPER, "markeredgewidth": 1.2,
}  # fmt: skip
_FAR: dict[str, Any] = {"linestyle": "none", "marker": "D", "markersize": 7, "color": SIGNAL}
#: What is written over lines stays readable.
_ON_PAPER: dict[str, Any] = {"boxstyle": "square,pad=0.08", "facecolor": PAPER, "edgecolor": "none", "alpha": 0.75}


def control_chart_figure(
    found: IndicatorChart,
    *,
    changes: Sequence[tuple[str, str]] = (),
    message: str = "",
    told: str = "",
    signal: tuple[str, str] | None = None,
) -> Figure:
    """Draw an indicator over time with its centre line, limits, baseline, annotated changes and signals.

    ``changes`` are period and words of what was changed, ``message`` is the title of a slide (empty for none), ``told`` what was
    found of the quarter, for the sentence, ``signal`` the first and the last quarter of a signal of the release (None for none).
    The chart of ``found`` is not None. The table has a row a period; hidden periods have no point and no number.
    """
    chart, indicator = found.chart, found.indicator
    if chart is None:
        raise ValueError("there is no chart to draw")
    table = chart.table
    factor = axis_factor(indicator)
    limited = isinstance(chart, ControlChart)

    def draw(width: Width, height: float = 2.9) -> Drawing:
        drawing = new_drawing(width, height if width == "wide" else 3.1)
        axes = drawing.add_subplot()
        x = np.arange(len(table))
        inside = np.flatnonzero(table["in_baseline"])
        axes.axvspan(inside[0] - 0.5, inside[-1] + 0.5, color=_BASELINE, zorder=0)
        _lines(axes, table, factor, limited=limited)
        y = table["value"].to_numpy(dtype=float) * factor
        seen = np.isfinite(y)
        axes.plot(x[seen], y[seen], color=LINE, marker="o", markersize=4.5, linewidth=1.3, zorder=3)
        met = seen & table["rules"].ne("").to_numpy()
        far = seen & _within(table, signal)
        axes.plot(x[met], y[met], **_LOOK, zorder=4)
        axes.plot(x[far], y[far], **_FAR, zorder=5)
        last = int(np.flatnonzero(seen)[-1])
        above = y[last] >= float(table["centre"].iloc[last]) * factor
        axes.annotate(
            bare_shower(indicator, found.known_values)(float(table["value"].iloc[last])), xy=(x[last], y[last]),
            xytext=(0, 6 if above else -6), textcoords="offset points", ha="center", va="bottom" if above else "top",
            fontsize=8, color=SIGNAL if far[last] else LINE, fontweight="bold", zorder=6, bbox=_ON_PAPER,
        )  # fmt: skip
        axes.set_xlim(-0.6, len(table) - 0.4)
        aim = indicator.target * factor
        if np.isfinite(aim):
            axes.axhline(aim, color=TARGET, linewidth=1.1, linestyle=TARGET_DASH, zorder=2)
        _room(
            axes,
            limited=limited,
            table=table,
            factor=factor,
            named=bool(changes),
            share=indicator.kind == "share",
            aim=aim,
        )
        _period_axis(axes, table["period"].tolist(), width)
        _annotate(axes, table, factor, changes=changes, limited=limited, width=width, aim=aim)
        axes.set_ylabel(axis_label(indicator))
        quiet_grid(axes)
        key_above(drawing, _key(_period_noun(table), met=bool((met & ~far).any()), far=bool(far.any())), width)
        return drawing

    return Figure(
        name=f"chart-{indicator.name}".replace(" ", "-"),
        title=f"{indicator.title} by {_period_noun(table)}",
        caption=f"{indicator.label}. {_caption(found, chart, signal)}",
        alt=_in_words(found, chart, told),
        table=_table(found, chart),
        draw=draw,
        message=message,
        draw_for_slide=lambda: draw("wide", _SLIDE_HEIGHT),
    )


def _within(table: pd.DataFrame, signal: tuple[str, str] | None) -> NDArray[np.bool_]:
    """Say which periods belong to a signal of the release."""
    if signal is None:
        return np.zeros(len(table), dtype=bool)
    first, last = (period_number(quarter_of(one)) for one in signal)
    number = table["period"].map(lambda one: period_number(quarter_of(str(one))))
    return number.between(first, last).to_numpy()


def _key(noun: str, *, met: bool, far: bool) -> list[Line2D]:
    """Say what the points are; the lines have their names at their ends."""
    points = Line2D([], [], color=LINE, marker="o", markersize=4.5, linewidth=1.3, label=f"value of a {noun}")
    look, signal = Line2D([], [], **_LOOK, label="meets a rule: worth a look"), Line2D([], [], **_FAR, label="signal")
    return [points, *([signal] if far else []), *([look] if met else [])]


def _table(found: IndicatorChart, chart: ControlChart | RunChart) -> Table:
    """Show the points of a chart with its lines and the rules they meet."""
    indicator = found.indicator
    limited = isinstance(chart, ControlChart)
    show = bare_shower(indicator, found.known_values)
    words = RULES if limited else RUN_RULES
    rows = with_text(found.points, indicator).assign(centre=chart.table["centre"].to_numpy())
    rows["period_text"] = [quarter_in_words(one) for one in rows["period"]]
    rows["rules_text"] = [rules or "none" for rules in chart.table["rules"]]
    rows["centre_text"] = [show(value) for value in rows["centre"]]
    columns = [
        Column("period_text", _period_noun(chart.table).capitalize()),
        *text_columns(indicator, f"Value ({indicator.unit_words})" if indicator.unit_words else "Value"),
        Column("centre_text", "Centre line" if limited else "Median", "right"),
    ]
    if limited:
        rows["limits_text"] = limits_text(chart.table["lower"], chart.table["upper"], show)
        columns.append(Column("limits_text", "Control limits", "right"))
    columns.append(Column("rules_text", "Rules met"))
    met = dict.fromkeys(rule for _, rules in found.signals for rule in rules)
    notes = [*chart.notes, *([found.why] if found.why else []), *(f"{rule}: {words[rule]}." for rule in met)]
    if rows["hidden"].any():
        notes.append(HIDDEN_NOTE)
    return Table(rows, f"{indicator.label}, by {_period_noun(chart.table)}.", tuple(columns), tuple(notes), "chart")


def _lines(axes: Axes, table: pd.DataFrame, factor: float, *, limited: bool) -> None:
    edges = np.repeat(np.arange(len(table)), 2) + np.tile([-0.5, 0.5], len(table))
    axes.plot(edges, np.repeat(table["centre"] * factor, 2), color=INK, linewidth=1.0, zorder=2)
    if limited:
        for name in ("lower", "upper"):
            axes.plot(edges, np.repeat(table[name] * factor, 2), color=QUIET, linewidth=0.9, linestyle=(0, (5, 2)))


def _room(
    axes: Axes, *, limited: bool, table: pd.DataFrame, factor: float, named: bool, share: bool, aim: float
) -> None:
    """Leave room above the points for what is written there, and none below zero."""
    names = ["value", "centre", *(["lower", "upper"] if limited else [])]
    low, high = (float(f(table[names].to_numpy(dtype=float))) * factor for f in (np.nanmin, np.nanmax))
    low, high = float(np.nanmin([low, aim])), float(np.nanmax([high, aim]))
    margin = 0.12 * (high - low) if high > low else max(abs(high), 1.0) * 0.1
    bottom = low - margin
    if low >= 0:
        bottom = max(bottom, -0.03 * high)
    axes.set_ylim(bottom, high + (3.6 if named else 1.6) * margin)
    if share and axes.get_ylim()[1] > 100:
        axes.set_yticks([tick for tick in axes.get_yticks() if 0 <= tick <= 100])


def _period_axis(axes: Axes, periods: list[str], width: Width) -> None:
    inches = 6.0 if width == "wide" else 2.6
    step = max(1, int(np.ceil(len(periods) * _INCHES_PER_LABEL / inches)))
    kept = list(range(len(periods) - 1, -1, -step))[::-1]
    axes.set_xticks(kept, [quarter_in_words(periods[i]).replace(" ", "\n", 1) for i in kept])


def _annotate(
    axes: Axes,
    table: pd.DataFrame,
    factor: float,
    *,
    changes: Sequence[tuple[str, str]],
    limited: bool,
    width: Width,
    aim: float,
) -> None:
    """Name the lines at their right end and the baseline and the changes at the top."""
    ends = {"centre line" if limited else "median": (float(table["centre"].iloc[-1]) * factor, INK)}
    if limited:
        for name in ("upper", "lower"):
            known = table[name].dropna()
            if len(known):
                ends[f"{name} limit"] = (float(known.iloc[-1]) * factor, QUIET)
    if np.isfinite(aim):
        ends["target"] = (aim, TARGET)
    name_lines(axes, len(table) - 0.5, ends)
    inside = np.flatnonzero(table["in_baseline"])
    top = axes.get_xaxis_transform()
    axes.text(inside[0] - 0.4, 0.98, "baseline", transform=top, fontsize=7.5, color=QUIET, va="top")
    places = {str(period): i for i, period in enumerate(table["period"])}
    for number, (period, words) in enumerate((at, what) for at, what in changes if at in places):
        at = places[period] - 0.5
        axes.axvline(at, color=CHANGE, linewidth=1.2, linestyle=":", zorder=2)
        right = at < len(table) * 0.6
        axes.annotate(
            wrap(words, 26 if width == "wide" else 16, lines=2), xy=(at, 0.98 - 0.13 * (number % 2)), xycoords=top,
            xytext=(3 if right else -3, 0), textcoords="offset points", ha="left" if right else "right", va="top",
            fontsize=7.5, color=CHANGE, bbox=_ON_PAPER,
        )  # fmt: skip


def _caption(found: IndicatorChart, chart: ControlChart | RunChart, signal: tuple[str, str] | None) -> str:
    first, last = (quarter_in_words(chart.baseline[i]) for i in (0, -1))
    baseline = f"The baseline, shaded, is fixed: {first} to {last}."
    hidden = int(found.points["hidden"].sum())
    left_out = (
        f" Hidden because of small counts: {numbers.plural(hidden, 'period')}; rules run across them." if hidden else ""
    )
    if isinstance(chart, ControlChart):
        lines = "Solid: centre line; dashed: control limits, three standard deviations."
    else:
        lines = f"{found.why} Solid: median."
    aim = found.indicator.target
    if np.isfinite(aim):
        lines = f"{lines} Dots and dashes: the target, {value_shower(found.indicator)(aim)}."
    marks = " Filled diamonds: the signal of this report." if signal is not None else ""
    if found.signals:
        marks += " Open diamonds belong to a pattern that meets a rule of the chart, which is worth a look and no signal by itself."
    return f"{baseline} {lines}{marks}{left_out} {' '.join(chart.notes)}"


def _in_words(found: IndicatorChart, chart: ControlChart | RunChart, told: str) -> str:
    indicator, table = found.indicator, chart.table
    show = value_shower(indicator, found.known_values)
    shown = table[table["value"].notna()]
    last = shown.iloc[-1]
    kind = f"{chart.kind} chart" if isinstance(chart, ControlChart) else "Run chart"
    sentence = (
        f"{kind} of {numbers.plural(len(shown), 'point')} from {quarter_in_words(shown['period'].iloc[0])} to "
        f"{quarter_in_words(last['period'])}: {indicator.label[:1].lower() + indicator.label[1:]}. Last "
        f"point {show(last['value'])}, {'centre line' if isinstance(chart, ControlChart) else 'median'} "
        f"{show(last['centre'])}"
    )
    if isinstance(chart, ControlChart) and np.isfinite(last["upper"]):
        sentence += f", control limits {show(last['lower'])} to {show(last['upper'])}"
    words = RULES if isinstance(chart, ControlChart) else RUN_RULES
    if found.signals:
        by_rule: dict[str, list[str]] = {}
        for period, rules in found.signals:
            for rule in rules:
                by_rule.setdefault(rule, []).append(quarter_in_words(period))
        said = [f"{words[rule]} ({_span(periods)})" for rule, periods in by_rule.items()]
        sentence += f". Rules met: {'; '.join(said)}"
    else:
        sentence += ". No rule of the chart is met"
    whole = _whole_chart(chart)
    return f"{sentence}{whole}.{f' {told}' if told else ''}"


def _whole_chart(chart: ControlChart | RunChart) -> str:
    if isinstance(chart, ControlChart) or not chart.rules:
        return ""
    return f"; over the whole chart {' and '.join(RUN_RULES[rule] for rule in chart.rules)}"


def _span(periods: list[str]) -> str:
    return numbers.listed(periods) if len(periods) < 4 else f"{len(periods)} points, {periods[0]} to {periods[-1]}"


def _period_noun(table: pd.DataFrame) -> str:
    return "quarter" if "Q" in str(table["period"].iloc[0]) else "month"
