"""The figure and the table of differences by week, against the line of no difference."""

import pandas as pd
from matplotlib.figure import Figure as Drawing

from analysis.curves.recovery import RecoveryCurves
from analysis.report.figures.forest import draw_forest
from analysis.report.parts import numbers
from analysis.report.parts.axes import axes_inches, draw_estimates, panel_grid, week_axis, wrap, zero_line
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import FAINT, Width, marks, quiet_grid
from analysis.report.parts.model_words import method_in_words
from analysis.report.parts.numbers import in_text, shown_decimals
from analysis.report.parts.tables import Column, Table

#: More differences than this stand in rows of three, and as one row each on a slide.
MOST_BESIDE_EACH_OTHER = 3


def difference_figure(curves: RecoveryCurves, *, level: float = 0.95, told: str = "", message: str = "") -> Figure:
    """Draw the difference of each protocol from the reference by week, against the line of no difference.

    Parameters
    ----------
    curves : RecoveryCurves
        The fit, of two protocols or more.
    level : float
        Confidence level of the intervals.
    told : str
        What it shows, in a sentence that stands after what is drawn; empty for none.
    message : str
        What a slide says above it; empty for none.

    Returns
    -------
    Figure
        Its table has a row a protocol and week.
    """
    table = curves.differences(level=level)
    table["protocol"] = table["protocol"].astype("str")
    others = list(dict.fromkeys(table["protocol"]))
    reference = curves.protocols[0]
    drawn = {name: mark for name, mark in marks(curves.protocols).items() if name in others}
    percent = numbers.level_in_words(level)
    side = "above" if curves.measure.sign > 0 else "below"
    better = f"{side} the line is better for {others[0] if len(others) == 1 else 'the protocol named'}"
    better += "" if curves.measure.ideal is None else f", up to a mean of {curves.measure.ideal:g}"
    decimals = shown_decimals(curves.measure)
    empty = " A week without a point has no estimate." if table["estimate"].isna().any() else ""

    def draw(width: Width) -> Drawing:
        drawing, panels = panel_grid(
            len(others), width, above=0.6, height=2.3, most=MOST_BESIDE_EACH_OTHER, sharex=True, sharey=True
        )
        columns = panels.shape[1]
        for name, axes in zip(others, panels.flat, strict=False):
            one = table[table["protocol"] == name]
            mark = drawn[name]
            axes.axvline(curves.primary_week, color=FAINT, linewidth=5, alpha=0.45, zorder=0)
            draw_estimates(axes, one, mark, smooth=not curves.scheduled)
            zero_line(axes)
            week_axis(axes, list(table["week"]), inches=axes_inches(width, columns=columns))
            room = 30 if columns > 2 else 38
            axes.set_title(f"{wrap(name, room)}\n{wrap(f'minus {reference}', room)}", color=mark.colour)
            quiet_grid(axes)
        for axes in panels[:, 0]:
            axes.set_ylabel(f"Difference ({curves.measure.unit})")
        return drawing

    def draw_for_slide() -> Drawing:
        at = table[(table["week"] - curves.primary_week).abs() < 1e-9]
        label = f"Difference from {wrap(reference, 40, lines=1)}, {numbers.moment(curves.primary_week)}"
        return draw_forest(at, drawn, label=f"{label} ({curves.measure.unit})", zero=True)

    return Figure(
        name="differences",
        title=f"Differences in {in_text(curves.measure.label)} from {reference}",
        caption=(
            f"Model estimates in {curves.measure.unit} with {percent} intervals ({method_in_words(table)}); {better}. "
            f"The line is no difference; the shaded week is the primary one, {numbers.moment(curves.primary_week)}.{empty}"
        ),
        alt=" ".join(filter(None, (_drawn_words(curves, percent), told))),
        table=_table(table, curves, decimals, percent),
        draw=draw,
        message=message,
        draw_for_slide=draw_for_slide if len(others) > MOST_BESIDE_EACH_OTHER else None,
    )


def _table(table: pd.DataFrame, curves: RecoveryCurves, decimals: int, percent: str) -> Table:
    """Show the differences by week."""
    return Table(
        table.assign(comparison=table["protocol"] + " minus " + table["reference"].astype("str")),
        f"Differences in {in_text(curves.measure.label)} ({curves.measure.unit}) by week, with {percent} intervals.",
        (
            Column("week", "Week", "week"),
            Column("estimate", f"Difference ({percent} interval)", "signed with interval", decimals),
            Column("p_value", "P value", "p"),
        ),
        (f"Intervals: {method_in_words(table)}.", "P values are not adjusted for the number of weeks or protocols."),
        name="differences",
        rows_grouped_by="comparison",
    )


def _drawn_words(curves: RecoveryCurves, percent: str) -> str:
    """Say what is drawn, not what it says."""
    first, last = numbers.moment(min(curves.weeks)), numbers.moment(max(curves.weeks))
    span = f"from {first} to {last}" if first != last else f"at {first}"
    return (
        f"Differences in {in_text(curves.measure.label)} from {curves.protocols[0]} {span}, with {percent} intervals."
    )
