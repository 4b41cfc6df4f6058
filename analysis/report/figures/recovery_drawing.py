"""How recovery curves are drawn: the means together, and the patients of each protocol behind its own."""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing

from analysis.curves.recovery import RecoveryCurves
from analysis.report.parts.axes import (
    axes_inches,
    draw_estimates,
    label_ends,
    legend_above,
    numbers_under,
    week_axis,
    wrap,
)
from analysis.report.parts.look import (
    MOST_IN_ONE_PANEL,
    OF_PATIENTS,
    QUIET,
    Mark,
    Width,
    inches_of,
    marks,
    new_drawing,
    quiet_grid,
)

#: Behind the means at most this many patients of a protocol are drawn; the caption says so.
MOST_PATIENTS_DRAWN = 150
#: An axis that shows every value is at most this many times as long as one that shows 99 % of them (design choice).
_MOST_STRETCHED = 1.5
#: Of a printed page: inches of height beside the numbers seen, those of the legend, and the part of the width that the means
#: take (design choices).
_LOW, _LEGEND, _MEANS_PART = 1.95, 0.25, 0.44


def draw_recovery(
    curves: RecoveryCurves, means: pd.DataFrame, lines: pd.DataFrame, seen: pd.DataFrame, width: Width
) -> Drawing:
    """Draw the means together where there are few, and a panel for each protocol with its patients."""
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
    if top:
        draw_together(parts[0, 0].subplots(), curves, lines, seen, drawn, width)
        if width == "narrow":
            legend_above(parts[0, 0], drawn, width)
    panels = parts[-1, 0].subplots(rows, columns, sharey=True, squeeze=False)
    for axes in panels.flat[len(names) :]:
        axes.set_axis_off()
    for name, axes in zip(names, panels.flat, strict=False):
        kept = _draw_panel(axes, curves, means, lines, name, axes_inches(width, columns=columns))
        if not top:
            numbers_under(axes, seen, {name: drawn[name]}, kept)
        axes.set_title(wrap(name, 27 if columns > 1 else 40), color=drawn[name].colour)
    for axes in panels[:, 0]:
        axes.set_ylabel(f"{wrap(curves.measure.label, 26)}\n({curves.measure.unit})")
    return drawing


def _draw_panel(
    axes: Axes, curves: RecoveryCurves, means: pd.DataFrame, lines: pd.DataFrame, name: str, inches: float
) -> list[float]:
    """Draw the patients of a protocol and its means, dotted those of up to three others; give the weeks with a number."""
    mark, names = marks(curves.protocols)[name], curves.protocols
    _draw_patients(axes, curves, name, mark)
    for other in names if len(names) <= MOST_IN_ONE_PANEL else ():
        if other != name:
            one = _from_start(curves, lines, other)
            axes.plot(one["week"], one["estimate"], color=QUIET, linewidth=0.9, linestyle=":", zorder=2)
    draw_estimates(axes, lines[lines["protocol"] == name], mark, smooth=not curves.scheduled)
    one = _from_start(curves, lines, name)
    axes.plot(one["week"], one["estimate"], color=mark.colour, linestyle=mark.dash, zorder=3)
    kept = week_axis(axes, _weeks_of_axis(curves), inches=inches)
    axes.set_ylim(*limits(curves, means))
    quiet_grid(axes)
    return kept


def draw_low(curves: RecoveryCurves, means: pd.DataFrame, lines: pd.DataFrame, seen: pd.DataFrame) -> Drawing:
    """Draw the means, and beside them the patients of each protocol."""
    names = list(curves.protocols)
    drawn, all_inches = marks(names), inches_of("wide")
    columns = len(names) if len(names) <= 3 else 2
    rows = -(-len(names) // columns)
    legend, height = _LEGEND * rows, _LOW * (1 + 0.4 * (rows - 1)) + 0.17 * len(names)
    drawing = new_drawing("wide", height)
    top, below = drawing.subfigures(2, 1, height_ratios=[legend, height - legend], squeeze=False)[:, 0]
    left, right = below.subfigures(1, 2, width_ratios=[_MEANS_PART, 1 - _MEANS_PART], squeeze=False)[0]
    legend_above(top, drawn, "wide")
    together = left.subplots()
    draw_together(together, curves, lines, seen, drawn, "narrow", inches=_MEANS_PART * all_inches - 0.8)
    together.set_ylabel(f"{wrap(curves.measure.label, 20)}\n({curves.measure.unit})")
    panels = right.subplots(rows, columns, sharey=True, squeeze=False)
    for name, axes in zip(names, panels.flat, strict=False):
        _draw_panel(axes, curves, means, lines, name, ((1 - _MEANS_PART) * all_inches - 0.5) / columns)
        axes.set_title(wrap(name, 51 // columns), color=drawn[name].colour, fontsize=8)
    return drawing


def draw_in_one_panel(
    curves: RecoveryCurves, means: pd.DataFrame, lines: pd.DataFrame, seen: pd.DataFrame, width: Width
) -> Drawing:
    """Draw all means in one panel, all patients behind."""
    drawn = marks(curves.protocols)
    drawing = new_drawing(width, 3.6 + 0.17 * len(drawn))
    axes = drawing.add_subplot()
    for name, mark in drawn.items():
        _draw_patients(axes, curves, name, mark)
    axes.set_ylim(*limits(curves, means))
    draw_together(axes, curves, lines, seen, drawn, width)
    axes.set_title("")
    if width == "narrow":
        legend_above(drawing, drawn, width)
    return drawing


def draw_together(
    axes: Axes,
    curves: RecoveryCurves,
    lines: pd.DataFrame,
    seen: pd.DataFrame,
    drawn: Mapping[str, Mark],
    width: Width,
    *,
    inches: float | None = None,
) -> None:
    """Draw the means of all protocols in a panel, so many inches wide where it is not of the usual width."""
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
    usual = axes_inches(width, right=1.7 if width == "wide" else 0.2)
    kept = week_axis(axes, _weeks_of_axis(curves), inches=usual if inches is None else inches)
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


def limits(curves: RecoveryCurves, means: pd.DataFrame) -> tuple[float, float]:
    """Show all values; 99 % of them where single extreme ones would press the rest flat."""
    values = curves.visits["value"].dropna().to_numpy(dtype=float)
    low = min(float(np.quantile(values, 0.005)), float(means["lower"].min(skipna=True)))
    high = max(float(np.quantile(values, 0.995)), float(means["upper"].max(skipna=True)))
    lowest, highest = min(low, float(values.min())), max(high, float(values.max()))
    if highest - lowest <= _MOST_STRETCHED * (high - low):
        low, high = lowest, highest
    room = 0.04 * (high - low or 1.0)
    return low - room, high + room
