"""The figure of recovery curves: model means by week with their intervals, and the patients behind them."""

import numpy as np
import pandas as pd
from matplotlib.figure import Figure as Drawing

from analysis.counted import form
from analysis.curves.recovery import RecoveryCurves
from analysis.report.figures.forest import draw_forest
from analysis.report.figures.recovery_drawing import (
    MOST_PATIENTS_DRAWN,
    draw_in_one_panel,
    draw_low,
    draw_recovery,
    draw_together,
    limits,
)
from analysis.report.parts import numbers
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import MOST_IN_ONE_PANEL, Width, marks, new_drawing
from analysis.report.parts.model_words import method_in_words
from analysis.report.parts.numbers import in_text, shown_decimals
from analysis.report.parts.tables import Column, Table

_SMOOTH_POINTS = 40


def recovery_figure(
    curves: RecoveryCurves, *, level: float = 0.95, told: str = "", message: str = "", panels: bool = True
) -> Figure:
    """Draw the model mean of each protocol by week with its interval, and every patient behind.

    Parameters
    ----------
    curves : RecoveryCurves
        The fit.
    level : float
        Confidence level of the intervals.
    told : str
        What it shows, in a sentence that stands after what is drawn; empty for none.
    message : str
        What a slide says above it; empty for none.
    panels : bool
        Whether each protocol has a panel with its patients; else up to four stand in one, all patients behind.

    Returns
    -------
    Figure
        Its table has a row a protocol and week: estimate, interval and patients seen.
    """
    means = _with_protocol(curves.means(level=level), curves)
    seen = _seen_by_week(curves)
    table = means.drop(columns="n").merge(seen, on=["protocol", "week"], how="left")
    table["n"] = table["n"].astype("Int64")
    lines = _lines(curves, means, level)

    in_one = not panels and len(curves.protocols) <= MOST_IN_ONE_PANEL

    def draw(width: Width) -> Drawing:
        if in_one:
            return draw_in_one_panel(curves, means, lines, seen, width)
        return draw_recovery(curves, means, lines, seen, width)

    def draw_for_slide() -> Drawing:
        drawing = new_drawing("wide", 3.4)
        draw_together(drawing.add_subplot(), curves, lines, seen, marks(curves.protocols), "wide")
        return drawing

    def draw_for_print() -> Drawing:
        return draw_low(curves, means, lines, seen)

    unit = curves.measure.unit

    def draw_many_for_slide() -> Drawing:
        at = lines[(lines["week"] - curves.primary_week).abs() < 1e-9]
        label = f"Mean {in_text(curves.measure.label)} at {numbers.moment(curves.primary_week)} ({unit})"
        return draw_forest(at, marks(curves.protocols), label=label, zero=False)

    decimals = shown_decimals(curves.measure)
    percent = numbers.level_in_words(level)
    drawn_of = max((visits["patient_id"].nunique() for _, visits in curves.visits.groupby("protocol", observed=True)))
    some = (
        f" Of each protocol at most {MOST_PATIENTS_DRAWN} patients are drawn, evenly spaced in the order of the data."
        if drawn_of > MOST_PATIENTS_DRAWN
        else ""
    )
    start = (
        " Every curve starts at the mean baseline of all patients in the model, to which the means are adjusted."
        if curves.baseline_adjusted
        else ""
    )
    under = (
        "patients seen at that week"
        if curves.scheduled
        else "patients seen nearer to that week than to the next one named"
    )
    others = "" if in_one else _others_in_words(curves)
    return Figure(
        name="recovery",
        title=f"{curves.measure.label} by week",
        caption=(
            f"Model means in {unit} with {percent} intervals ({'bars' if curves.scheduled else 'bands'}); thin lines are single "
            f"patients.{others}{start} Numbers under the axis: {under}.{some}{_beyond_in_words(curves, means)} "
            f"Intervals: {method_in_words(means)}."
        ),
        alt=" ".join(filter(None, (_drawn_words(table, curves), told))),
        table=Table(
            table,
            f"{curves.measure.label} ({unit}): model means with {percent} intervals by week.",
            (
                Column("week", "Week", "week"),
                Column("estimate", f"Mean ({percent} interval)", "number with interval", decimals),
                Column("n", "Patients seen", "count"),
            ),
            name="recovery",
            rows_grouped_by="protocol",
        ),
        draw=draw,
        message=message,
        draw_for_slide=(
            None
            if len(curves.protocols) == 1
            else (draw_for_slide if len(curves.protocols) <= MOST_IN_ONE_PANEL else draw_many_for_slide)
        ),
        draw_for_print=draw_for_print if panels and 1 < len(curves.protocols) <= MOST_IN_ONE_PANEL else None,
    )


def _seen_by_week(curves: RecoveryCurves) -> pd.DataFrame:
    """Count the patients seen by protocol and week (n): at the week, or halfway to its neighbours without a schedule."""
    frame = curves.visits[["protocol", "week", "patient_id"]].copy()
    if not curves.scheduled:
        weeks = np.asarray(curves.weeks, dtype=float)
        edges = (weeks[1:] + weeks[:-1]) / 2
        frame["week"] = weeks[np.searchsorted(edges, frame["week"].to_numpy(dtype=float))]
    frame["protocol"] = frame["protocol"].astype("str")
    counted = frame.groupby(["protocol", "week"], observed=True)["patient_id"].nunique()
    every = pd.MultiIndex.from_product([curves.protocols, sorted(frame["week"].unique())], names=["protocol", "week"])
    return counted.reindex(every, fill_value=0).rename("n").reset_index()


def _lines(curves: RecoveryCurves, means: pd.DataFrame, level: float) -> pd.DataFrame:
    """Give the means to draw: at the weeks, or along a smooth curve where visits had no schedule."""
    if curves.scheduled:
        return means
    grid = np.linspace(min(curves.weeks), max(curves.weeks), _SMOOTH_POINTS)
    by = "protocol" if len(curves.protocols) > 1 else None
    return _with_protocol(curves.model.means(by=by, weeks=[float(week) for week in grid], level=level), curves)


def _with_protocol(means: pd.DataFrame, curves: RecoveryCurves) -> pd.DataFrame:
    """Name the protocol of means as text, also where all patients followed one."""
    only = pd.Series(curves.protocols[0], index=means.index)
    return means.assign(protocol=means.get("protocol", only).astype("str"))


def _others_in_words(curves: RecoveryCurves) -> str:
    """Say what the dotted lines are, where there are any."""
    others = len(curves.protocols) - 1
    if not 0 < others < MOST_IN_ONE_PANEL:
        return ""
    return f" Dotted: the means of the other {form(others, 'protocol')}."


def _beyond_in_words(curves: RecoveryCurves, means: pd.DataFrame) -> str:
    """Say how many single values lie beyond the axis, where any do."""
    low, high = limits(curves, means)
    values = curves.visits["value"].dropna()
    n = int(((values < low) | (values > high)).sum())
    return (
        f" Beyond the axis {form(n, 'lies', 'lie')} {n} of {numbers.plural(len(values), 'single value')}." if n else ""
    )


def _drawn_words(table: pd.DataFrame, curves: RecoveryCurves) -> str:
    """Say what is drawn, not what it says."""
    first, last = 0.0 if curves.baseline_adjusted else table["week"].min(), table["week"].max()
    span = f"from {numbers.moment(first)} to {numbers.moment(last)}" if first < last else "at one week"
    return f"Lines of {in_text(curves.measure.label)} {span} with single patients behind."
