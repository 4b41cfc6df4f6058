"""The figure of recovery curves by group of quarters: model means with their intervals, and no single patient."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.report.parts import numbers
from analysis.report.parts.axes import axes_inches, draw_estimates, legend_above, numbers_under, week_axis, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.indicator_numbers import HIDDEN, HIDDEN_NOTE
from analysis.report.parts.look import Width, marks, new_drawing, quiet_grid
from analysis.report.parts.numbers import shown_decimals
from analysis.report.parts.tables import Column, Table

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

    from analysis.report.quarter.prepared.curve_study import CurvesByQuarter


def curves_by_quarter_figure(found: CurvesByQuarter, *, caption: str, told: str, message: str = "") -> Figure:
    """Draw the means of both groups by week; ``caption``, ``told`` and ``message`` are the words of the findings.

    The table has a row a group and week; hidden ones without numbers.
    """
    drawn = marks(found.groups)
    table = found.means
    weeks = sorted({*table["week"].astype(float), *([] if numbers.is_missing(found.start) else [0.0])})
    span = max(weeks) - min(weeks)

    def draw(width: Width) -> Drawing:
        drawing = new_drawing(width, 3.4)
        axes = drawing.add_subplot()
        legend_above(drawing, drawn, width)
        for place, (name, mark) in enumerate(drawn.items()):
            own = table[(table["protocol"] == name) & table["estimate"].notna()]
            shift = (place - 0.5) * 0.012 * span if found.scheduled else 0.0
            line = own[["week", "estimate"]].assign(week=own["week"] + shift)
            if not numbers.is_missing(found.start):
                line = pd.concat([pd.DataFrame({"week": [0.0], "estimate": [found.start]}), line])
            axes.plot(line["week"], line["estimate"], color=mark.colour, linestyle=mark.dash, linewidth=1.4, zorder=3)
            draw_estimates(axes, own.assign(week=own["week"] + shift), mark, smooth=not found.scheduled)
        quiet_grid(axes)
        kept = week_axis(axes, weeks, inches=axes_inches(width))
        axes.set_ylabel(f"{wrap(found.measure.label, 30)} ({found.measure.unit})")
        axes.margins(y=0.08)
        numbers_under(axes, table.dropna(subset=["n"]), drawn, kept)
        return drawing

    unit, percent = found.measure.unit, numbers.level_in_words(found.level)
    return Figure(
        name="curves-by-quarter",
        title=f"{found.measure.label} by week and quarter of start",
        caption=caption,
        alt=told,
        table=_table(found, f"{found.measure.label} ({unit}): model means with {percent} intervals by week.", percent),
        draw=draw,
        message=message,
    )


def _table(found: CurvesByQuarter, caption: str, percent: str) -> Table:
    decimals = shown_decimals(found.measure)
    rows = found.means.assign(
        mean_text=[
            HIDDEN
            if numbers.is_missing(row.estimate)
            else f"{numbers.number(row.estimate, decimals)} ({numbers.interval(row.lower, row.upper, decimals)})"
            for row in found.means.itertuples()
        ],
        n_text=[HIDDEN if numbers.is_missing(n) else numbers.count(n) for n in found.means["n"]],
    )
    columns = (
        Column("week", "Week", "week"),
        Column("mean_text", f"Mean ({percent} interval)", "right"),
        Column("n_text", "Patients seen", "right"),
    )
    notes = (HIDDEN_NOTE,) if found.hidden else ()
    return Table(rows, caption, columns, notes, "curves-by-quarter", rows_grouped_by="protocol")
