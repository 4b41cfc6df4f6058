"""The figure of the recovery curves over sites: model means with their intervals, and no single patient."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.report.parts import numbers
from analysis.report.parts.axes import axes_inches, draw_estimates, legend_above, numbers_under, week_axis, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import Width, marks, new_drawing, quiet_grid
from analysis.report.parts.model_words import method_in_words
from analysis.report.parts.numbers import shown_decimals
from analysis.report.parts.tables import Column, Table

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

    from analysis.pooled.comparison import PooledComparison


def curves_figure(found: PooledComparison, *, told: str, message: str) -> Figure:
    """Draw the model means by week; the table has a row a protocol and week."""
    endpoint, table = found.plan.endpoint, found.means.astype({"protocol": "str"})
    measure, percent = endpoint.measure, numbers.level_in_words(endpoint.level)
    inside = set(table["protocol"])
    drawn = {name: mark for name, mark in marks(list(found.plan.protocols)).items() if name in inside}
    weeks = sorted(table["week"].unique())
    span = max(weeks) - min(weeks) if len(weeks) > 1 else 1.0
    decimals = shown_decimals(measure)

    def draw(width: Width) -> Drawing:
        drawing = new_drawing(width, 3.4)
        axes = drawing.add_subplot()
        legend_above(drawing, drawn, width)
        for place, (name, mark) in enumerate(drawn.items()):
            shift = (place - (len(drawn) - 1) / 2) * 0.012 * span
            own = table[(table["protocol"] == name) & table["estimate"].notna()]
            own = own.assign(week=own["week"] + shift)
            axes.plot(own["week"], own["estimate"], color=mark.colour, linestyle=mark.dash, linewidth=1.4, zorder=3)
            draw_estimates(axes, own, mark, smooth=False)
        quiet_grid(axes)
        kept = week_axis(axes, weeks, inches=axes_inches(width))
        axes.set_ylabel(f"{wrap(measure.label, 30)} ({measure.unit})")
        axes.margins(y=0.08)
        numbers_under(axes, table.dropna(subset=["n"]), drawn, kept)
        return drawing

    label = measure.label_on(endpoint.limb)
    return Figure(
        name="curves",
        title=f"{label} by week",
        caption=(
            f"Model means in {measure.unit} with {percent} intervals ({method_in_words(table)}) from sums of visits; no single patient is "
            "drawn. Numbers under the axis: patients seen, of those in the curves."
        ),
        alt=f"Model means of {label} by week and protocol, with {percent} intervals. {told}",
        table=Table(
            table,
            f"{label} ({measure.unit}): model means by week.",
            (
                Column("week", "Week", "week"),
                Column("estimate", f"Mean ({percent} interval)", "number with interval", decimals),
                Column("n", "Patients", "count"),
            ),
            name="curves",
            rows_grouped_by="protocol",
        ),
        draw=draw,
        message=message,
    )
