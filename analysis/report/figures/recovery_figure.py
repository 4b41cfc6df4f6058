"""The figure of recovery curves: model means by week with their intervals, and the patients behind them."""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing

from analysis.counted import form
from analysis.curves.recovery import RecoveryCurves
from analysis.report.parts import numbers
from analysis.report.parts.axes import (
    axes_inches,
    draw_estimates,
    label_ends,
    legend_above,
    numbers_under,
    week_axis,
    wrap,
)
from analysis.report.parts.figures import Figure
from analysis.report.parts.forest import draw_forest
from analysis.report.parts.look import (
    MOST_IN_ONE_PANEL,
    OF_PATIENTS,
    QUIET,
    Mark,
    Width,
    marks,
    new_drawing,
    quiet_grid,
)
from analysis.report.parts.model_words import method_in_words
from analysis.report.parts.numbers import in_text, shown_decimals
from analysis.report.parts.tables import Column, Table

#: Behind the means at most this many patients of a protocol are drawn; the caption says so.
MOST_PATIENTS_DRAWN = 150
_SMOOTH_POINTS = 40
#: An axis that shows every value is at most this many times as long as one that shows 99 % of them (design choice).
_MOST_STRETCHED = 1.5


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
            return _draw_in_one_panel(curves, means, lines, seen, width)
        return _draw_recovery(curves, means, lines, seen, width)

    def draw_for_slide() -> Drawing:
        drawing = new_drawing("wide", 3.4)
        _draw_together(drawing.add_subplot(), curves, lines, seen, marks(curves.protocols), "wide")
        return drawing

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


def _draw_recovery(
    curves: RecoveryCurves, means: pd.DataFrame, lines: pd.DataFrame, seen: pd.DataFrame, width: Width
) -> Drawing:
    names = list(curves.protocols)
    drawn = marks(names)
    together = len(names) <= MOST_IN_ONE_PANEL
    columns = min(len(names), 3 if width == "wide" else 1)
    rows = int(np.ceil(len(names) / columns))
    top = 3.3 + 0.17 * len(names) if together and len(names) > 1 else 0.0
    each = 2.3 if len(names) > 1 else 3.4
    extra = 0.0 if width == "wide" else 0.2 * len(names)
    drawing = new_drawing(width, top + each * rows + extra)
    parts = drawing.subfigures(2 if top else 1, 1, height_ratios=[top, each * rows] if top else None, squeeze=False)
    low, high = _limits(curves, means)
    weeks = _weeks_of_axis(curves)
    if top:
        _draw_together(parts[0, 0].subplots(), curves, lines, seen, drawn, width)
        if width == "narrow":
            legend_above(parts[0, 0], drawn, width)
    panels = parts[-1, 0].subplots(rows, columns, sharey=True, squeeze=False)
    for axes in panels.flat[len(names) :]:
        axes.set_axis_off()
    for name, axes in zip(names, panels.flat, strict=False):
        _draw_patients(axes, curves, name, drawn[name])
        for other in names:
            if other != name and together:
                one = _from_start(curves, lines, other)
                axes.plot(one["week"], one["estimate"], color=QUIET, linewidth=0.9, linestyle=":", zorder=2)
        draw_estimates(axes, lines[lines["protocol"] == name], drawn[name], smooth=not curves.scheduled)
        one = _from_start(curves, lines, name)
        axes.plot(one["week"], one["estimate"], color=drawn[name].colour, linestyle=drawn[name].dash, zorder=3)
        kept = week_axis(axes, weeks, inches=axes_inches(width, columns=columns))
        if not top:
            numbers_under(axes, seen, {name: drawn[name]}, kept)
        axes.set_ylim(low, high)
        axes.set_title(wrap(name, 27 if columns > 1 else 40), color=drawn[name].colour)
        quiet_grid(axes)
    for axes in panels[:, 0]:
        axes.set_ylabel(f"{wrap(curves.measure.label, 26)}\n({curves.measure.unit})")
    return drawing


def _draw_in_one_panel(
    curves: RecoveryCurves, means: pd.DataFrame, lines: pd.DataFrame, seen: pd.DataFrame, width: Width
) -> Drawing:
    drawn = marks(curves.protocols)
    drawing = new_drawing(width, 3.6 + 0.17 * len(drawn))
    axes = drawing.add_subplot()
    for name, mark in drawn.items():
        _draw_patients(axes, curves, name, mark)
    axes.set_ylim(*_limits(curves, means))
    _draw_together(axes, curves, lines, seen, drawn, width)
    axes.set_title("")
    if width == "narrow":
        legend_above(drawing, drawn, width)
    return drawing


def _draw_together(
    axes: Axes, curves: RecoveryCurves, lines: pd.DataFrame, seen: pd.DataFrame, drawn: Mapping[str, Mark], width: Width
) -> None:
    ends = {}
    shifts = _dodge(list(drawn), _weeks_of_axis(curves)) if curves.scheduled else dict.fromkeys(drawn, 0.0)
    for name, mark in drawn.items():
        own = lines[lines["protocol"] == name]
        if own["estimate"].isna().all():
            continue
        one = _from_start(curves, lines, name)
        axes.plot(
            one["week"] + shifts[name], one["estimate"], color=mark.colour, linestyle=mark.dash, marker=mark.marker
            if curves.scheduled else None, zorder=3,
        )  # fmt: skip
        draw_estimates(axes, own.assign(week=own["week"] + shifts[name]), mark, smooth=not curves.scheduled)
        last = own[own["estimate"].notna()].iloc[-1]
        ends[name] = (float(last["week"]) + shifts[name], float(last["estimate"]))
    quiet_grid(axes)
    kept = week_axis(axes, _weeks_of_axis(curves), inches=axes_inches(width, right=1.7 if width == "wide" else 0.2))
    axes.set_ylabel(f"{wrap(curves.measure.label, 30)} ({curves.measure.unit})")
    axes.set_title("Model means")
    axes.margins(y=0.08)
    numbers_under(axes, seen, drawn, kept)
    if width == "wide":
        label_ends(axes, ends, drawn, inches=2.6)


def _draw_patients(axes: Axes, curves: RecoveryCurves, protocol: str, mark: Mark) -> None:
    from matplotlib.collections import LineCollection

    visits = curves.visits[curves.visits["protocol"].astype("str") == protocol]
    patients = visits["patient_id"].drop_duplicates().to_numpy()
    if len(patients) > MOST_PATIENTS_DRAWN:
        patients = patients[np.linspace(0, len(patients) - 1, MOST_PATIENTS_DRAWN).round().astype(int)]
    kept = visits[visits["patient_id"].isin(patients)].sort_values(["patient_id", "week"])
    starts = np.flatnonzero(~kept["patient_id"].duplicated().to_numpy())[1:]
    paths = np.split(kept[["week", "value"]].to_numpy(dtype=float), starts)
    opacity = float(np.clip(6.0 / max(len(paths), 1) ** 0.75, 0.14, 0.6))
    axes.add_collection(
        LineCollection(paths, colors=mark.colour, linewidths=0.6, alpha=opacity, zorder=1, **OF_PATIENTS)
    )
    single = np.array([path[0] for path in paths if len(path) == 1])
    if len(single):
        axes.plot(
            single[:, 0], single[:, 1], ".", color=mark.colour, alpha=opacity, markersize=3, zorder=1, **OF_PATIENTS
        )


def _from_start(curves: RecoveryCurves, lines: pd.DataFrame, protocol: str) -> pd.DataFrame:
    """Give the curve of a protocol from the common start, the mean baseline of all patients in the model, where there is one.

    The model means are adjusted to it, so a curve that set off from its own protocol's baseline would show a change that
    the model does not estimate.
    """
    own = lines.loc[lines["protocol"] == protocol, ["week", "estimate"]]
    if not curves.baseline_adjusted:
        return own
    baseline = float(curves.frame.drop_duplicates("patient_id")["baseline"].mean())
    return pd.concat([pd.DataFrame({"week": [0.0], "estimate": [baseline]}), own], ignore_index=True)


def _dodge(names: list[str], weeks: list[float]) -> dict[str, float]:
    step = (max(weeks) - min(weeks)) * 0.006
    middle = (len(names) - 1) / 2
    return {name: (position - middle) * step for position, name in enumerate(names)}


def _weeks_of_axis(curves: RecoveryCurves) -> list[float]:
    weeks = [float(week) for week in curves.weeks]
    if curves.scheduled:
        seen = {float(week) for week in curves.visits["week"].unique()}
        return sorted({*weeks, *(week for week in seen if week <= 0)})
    return weeks


def _limits(curves: RecoveryCurves, means: pd.DataFrame) -> tuple[float, float]:
    """Show all values; 99 % of them where single extreme ones would press the rest flat."""
    values = curves.visits["value"].dropna().to_numpy(dtype=float)
    low = min(float(np.quantile(values, 0.005)), float(means["lower"].min(skipna=True)))
    high = max(float(np.quantile(values, 0.995)), float(means["upper"].max(skipna=True)))
    lowest, highest = min(low, float(values.min())), max(high, float(values.max()))
    if highest - lowest <= _MOST_STRETCHED * (high - low):
        low, high = lowest, highest
    room = 0.04 * (high - low or 1.0)
    return low - room, high + room


def _others_in_words(curves: RecoveryCurves) -> str:
    """Say what the dotted lines are, where there are any."""
    others = len(curves.protocols) - 1
    if not 0 < others < MOST_IN_ONE_PANEL:
        return ""
    return f" Dotted: the means of the other {form(others, 'protocol')}."


def _beyond_in_words(curves: RecoveryCurves, means: pd.DataFrame) -> str:
    """Say how many single values lie beyond the axis, where any do."""
    low, high = _limits(curves, means)
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
