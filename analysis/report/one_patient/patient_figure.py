"""The figure of one patient: visits on the centile curves of the others, and the weeks ahead, a panel a measure."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from analysis.cohort import Measure
from analysis.curves.patient_on_cohort import PatientOnCohort
from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold
from analysis.report.parts import numbers
from analysis.report.parts.axes import axes_inches, panel_grid, week_axis, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import FAINT, INK, QUIET, Width, quiet_grid
from analysis.report.parts.tables import Column, Table

#: More measures than this stand in three columns, so that the figure fits under the answer on the first page.
_MOST_IN_TWO_COLUMNS = 4
_OWN = "#0067a3"
_OFF = "#b84a00"
_BAND_WIDE, _BAND_MIDDLE = "#e6eaec", "#ccd3d7"


def patient_figure(
    found: Sequence[PatientOnCohort], thresholds: Mapping[str, ChosenThreshold], *, told: str, message: str
) -> Figure:
    """Draw one patient's visits on the centiles of the others, with what is expected at the weeks ahead.

    There is at least one measure; a threshold, by the name of its measure, is drawn as a line at the baseline plus the
    threshold. The table has a row a measure and week: centiles of the others and the patient's value. ``told`` says what is
    drawn, ``message`` the same as the title of a slide.
    """
    percent = numbers.level_in_words(found[0].level)
    beside = 2 if len(found) <= _MOST_IN_TWO_COLUMNS else 3

    def draw(width: Width, most: int, height: float) -> Drawing:
        drawing, panels = panel_grid(len(found), width, above=0.7, height=height, most=most)
        columns = panels.shape[1]
        for one, axes in zip(found, panels.flat, strict=False):
            _draw_measure(axes, one, thresholds.get(one.measure.name), axes_inches(width, columns=columns))
        _legend(
            drawing, ahead=any(len(one.ahead) for one in found), columns=columns,
            thresholds=any(one.measure.name in thresholds for one in found),
        )  # fmt: skip
        return drawing

    return Figure(
        name="patient",
        title="Visits on the curves of the other patients",
        caption=(
            "Blue: the patient's values. Grey: where patients with the same protocol and the same baseline are expected, "
            "from the 5th to the 95th centile (light) and from the 25th to the 75th (darker), the median a thin line; the "
            "curves are fitted to the other patients. Dashed: expected at the weeks ahead from the patient's own visits, "
            f"the bars the {percent} interval of a measured value. Ringed: off the expected curve. Dotted: the baseline "
            "improved by the threshold."
        ),
        alt=told,
        table=_table(found),
        draw=lambda width: draw(width, beside, 2.35),
        message=message,
        draw_for_slide=lambda: draw("wide", 3, 1.5),
    )


def _draw_measure(axes: Axes, one: PatientOnCohort, threshold: ChosenThreshold | None, inches: float) -> None:
    wide = one.centiles.pivot_table(index="week", columns="centile", values="value")
    start = one.visits[one.visits["place"] == "start"]
    weeks = wide.index.to_numpy(dtype=float)
    bands = wide.to_numpy(dtype=float)
    if len(start) and one.others.baseline_adjusted:
        weeks = np.insert(weeks, 0, float(start["week"].iloc[-1]))
        bands = np.vstack([np.full(bands.shape[1], float(start["value"].iloc[-1])), bands])
    axes.fill_between(weeks, bands[:, 0], bands[:, -1], color=_BAND_WIDE, linewidth=0, zorder=1)
    axes.fill_between(weeks, bands[:, 1], bands[:, -2], color=_BAND_MIDDLE, linewidth=0, zorder=1)
    axes.plot(weeks, bands[:, 2], color=QUIET, linewidth=0.9, zorder=2)
    visits = one.visits
    axes.plot(visits["week"], visits["value"], color=_OWN, marker="o", markersize=4.5, linewidth=1.5, zorder=4)
    for visit in one.off.to_dict("records"):
        at = float(visit["week"]), float(visit["value"])
        axes.plot(*at, "o", markersize=11, markerfacecolor="none", color=_OFF, zorder=5)
        late = at[0] > 0.8 * float(weeks[-1])
        axes.annotate(
            str(visit["place"]), at, xytext=(-8 if late else 8, 0), textcoords="offset points", color=_OFF, fontsize=7.5,
            fontweight="bold", ha="right" if late else "left", va="center", zorder=6,
        )  # fmt: skip
    if len(one.ahead):
        last = visits.iloc[-1]
        path = np.vstack([[last["week"], last["value"]], one.ahead[["week", "estimate"]].to_numpy()])
        axes.plot(path[:, 0], path[:, 1], color=_OWN, linestyle=(0, (4, 2)), linewidth=1.3, zorder=3)
        errors = np.abs([one.ahead["estimate"] - one.ahead["lower"], one.ahead["upper"] - one.ahead["estimate"]])
        axes.errorbar(
            one.ahead["week"], one.ahead["estimate"], yerr=errors, fmt="o", color=_OWN, markersize=4,
            markerfacecolor="white", elinewidth=1.0, capsize=2.5, zorder=4,
        )  # fmt: skip
    if threshold is not None and len(start):
        for goal in _goals(one.measure, float(start["value"].iloc[-1]), threshold.value):
            axes.axhline(goal, color=INK, linewidth=0.9, linestyle=":", zorder=2)
    scheduled = [float(week) for week in one.others.weeks]
    week_axis(axes, sorted({*scheduled, *(float(week) for week in visits["week"])}), inches=inches)
    axes.set_title(wrap(one.measure.label, 34 if inches > 2 else 26))
    axes.set_ylabel(one.measure.unit)
    axes.margins(y=0.08)
    quiet_grid(axes)


def _goals(measure: Measure, start: float, threshold: float) -> list[float]:
    """Give the values at which a patient has improved by the threshold: on both sides of a best value, none out of reach."""
    if measure.ideal is None:
        goals = [start + measure.sign * threshold]
    else:
        left = abs(start - measure.ideal) - threshold
        goals = sorted({measure.ideal - left, measure.ideal + left}) if left >= 0 else []
    return [goal for goal in goals if measure.lowest <= goal <= measure.highest]


def _legend(drawing: Drawing, *, ahead: bool, thresholds: bool, columns: int) -> None:
    expected: dict[str, Any] = {"color": _OWN, "linestyle": (0, (4, 2)), "markersize": 4.5}
    handles = [
        Line2D([], [], color=_OWN, marker="o", markersize=4.5, label="patient"),
        *([Line2D([], [], marker="o", markerfacecolor="white", label="expected ahead", **expected)] if ahead else []),
        Patch(color=_BAND_MIDDLE, label="others, 25th to 75th centile"),
        Patch(facecolor=_BAND_WIDE, edgecolor=FAINT, linewidth=0.5, label="5th to 95th"),
        *([Line2D([], [], color=INK, linestyle=":", label="improved by the threshold")] if thresholds else []),
    ]
    drawing.legend(
        handles=handles, loc="outside upper left", ncols=3 if columns > 1 else 1, handlelength=3.0, borderaxespad=0.2
    )


def _table(found: Sequence[PatientOnCohort]) -> Table:
    parts = []
    for one in found:
        wide = one.centiles.pivot_table(index="week", columns="centile", values="value")
        wide.columns = pd.Index([f"c{int(name)}" for name in wide.columns])
        if not one.others.scheduled:
            wide = wide.iloc[np.unique(np.linspace(0, len(wide) - 1, 8).astype(int))]
        part = wide.reset_index().merge(one.visits[["week", "value"]], on="week", how="outer").sort_values("week")
        decimals = one.measure.decimals
        shown = {name: [numbers.number(value, decimals) for value in part[name]] for name in part.columns[1:]}
        parts.append(part.assign(**shown, measure=f"{one.measure.label} ({one.measure.unit})"))
    return Table(
        pd.concat(parts, ignore_index=True),
        "Centiles of the other patients with the same protocol and baseline, and the patient's value.",
        (
            Column("week", "Week", "week"),
            *(
                Column(f"c{number}", f"{number}th", "right", group="Centile of the others")
                for number in (5, 25, 50, 75, 95)
            ),
            Column("value", "Patient", "right"),
        ),
        ("By the model: a normal distribution around the mean curve, cut at the ends of the scale.",),
        name="patient-centiles",
        rows_grouped_by="measure",
    )
