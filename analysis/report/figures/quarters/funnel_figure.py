"""The figures of sites: a funnel plot about the whole, and observed against expected by name."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing
from matplotlib.lines import Line2D

from analysis.quarter import CaseMix, Funnel, Indicator
from analysis.quarter.sites.funnel import BEYOND_95, BEYOND_998, WITHIN
from analysis.report.figures.quarters.control_chart_figure import TARGET, TARGET_DASH
from analysis.report.figures.quarters.free_places import name_marks
from analysis.report.parts import numbers
from analysis.report.parts.axes import key_above, name_lines, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.indicator_numbers import (
    HIDDEN_NOTE,
    MOST_NAMED_IN_FUNNEL,
    axis_factor,
    axis_label,
    limits_text,
    text_columns,
    value_shower,
    with_text,
)
from analysis.report.parts.look import FAINT, INK, QUIET, Width, new_drawing, quiet_grid
from analysis.report.parts.numbers import capitalised
from analysis.report.parts.tables import Column, Table, intervals_by, level_of

INSIDE, OUTSIDE, FAR = "#0067a3", "#b84a00", "#8c2d2d"
_MARKS = {WITHIN: ("o", INSIDE, 4.5), BEYOND_95: ("D", OUTSIDE, 6.0), BEYOND_998: ("X", FAR, 8.0)}
_ROWS_A_COLUMN = 22
_SLIDE_HEIGHT = 3.7


def funnel_figure(
    found: Funnel,
    sites: pd.DataFrame,
    indicator: Indicator,
    *,
    span: str,
    caption: str,
    told: str,
    message: str = "",
    name: str = "funnel",
    title: str = "",
) -> Figure:
    """Draw sites against the limits about the whole.

    Parameters
    ----------
    found : Funnel
        The funnel, of the sites that may be shown.
    sites : pandas.DataFrame
        Every site: site, numerator, denominator, value, hidden.
    indicator : Indicator
    span : str
        The quarters compared, in words.
    caption, told : str
        What is drawn, and what it shows, from the findings.
    message : str
        Title of a slide; empty where it is not for slides.
    name, title : str
        Name of the figure, and what is compared, in few words; by default the title of the indicator.

    Returns
    -------
    Figure
        Its table has a row a site, by name.
    """
    factor = axis_factor(indicator)
    table = found.table
    region = table["wide_region"]
    order = [BEYOND_998, BEYOND_95, *([WITHIN] if len(table) <= MOST_NAMED_IN_FUNNEL else [])]
    named = pd.concat([table[region == one] for one in order])

    def draw(width: Width, height: float = 3.4) -> Drawing:
        drawing = new_drawing(width, height)
        axes = drawing.add_subplot()
        _limits(axes, found, factor)
        for name, (marker, colour, size) in _MARKS.items():
            one = table[region == name]
            axes.plot(
                one["denominator"], one["value"] * factor, linestyle="none", marker=marker, color=colour, markersize=size,
                zorder=4,
            )  # fmt: skip
        axes.set_xlabel(wrap(capitalised(indicator.denominator_words), 80 if width == "wide" else 38))
        axes.set_ylabel(axis_label(indicator))
        low, high = _range(found, factor, indicator.target * factor, share=indicator.kind == "share")
        axes.set_ylim(low, high)
        grid = found.limits["denominator"]
        axes.set_xlim(float(grid.min()), float(grid.max()))
        ends = {
            words: (float(found.limits[f"wide_upper_{name}"].iloc[-1]) * factor, QUIET)
            for name, words in (("998", "99.8 % limit"), ("95", "95 % limit"))
        }
        ends["whole"] = (found.target * factor, INK)
        if np.isfinite(indicator.target):
            axes.axhline(indicator.target * factor, color=TARGET, linewidth=1.1, linestyle=TARGET_DASH, zorder=2)
            ends["target"] = (indicator.target * factor, TARGET)
        name_lines(axes, float(grid.iloc[-1]), ends)
        quiet_grid(axes)
        key_above(drawing, _key(region, widened=found.over_dispersed), width)
        names = [wrap(one, 22 if width == "wide" else 12, lines=1) for one in named["site"]]
        name_marks(axes, names, _places(named, factor), _places(table, factor))
        return drawing

    return Figure(
        name=name,
        title=f"{title or indicator.title}: sites about the whole",
        caption=caption,
        alt=told,
        table=_funnel_table(found, sites, indicator, span),
        draw=draw,
        message=message,
        draw_for_slide=lambda: draw("wide", _SLIDE_HEIGHT),
    )


def _funnel_table(found: Funnel, sites: pd.DataFrame, indicator: Indicator, span: str) -> Table:
    """Show every site by name with its limits; hidden sites without numbers."""
    show = value_shower(indicator)
    limits = found.table.drop(columns=["numerator", "denominator", "value"])
    rows = with_text(sites, indicator).merge(limits, on="site", how="left")
    for name in ("95", "998"):
        rows[f"limits_{name}"] = limits_text(rows[f"wide_lower_{name}"], rows[f"wide_upper_{name}"], show)
    rows["where"] = rows["wide_region"].fillna(numbers.MISSING)
    columns = (
        Column("site", "Site"),
        *text_columns(indicator),
        Column("limits_95", "95 % limits", "right"),
        Column("limits_998", "99.8 % limits", "right"),
        Column("where", "Where it lies"),
    )
    notes = (*found.notes, "Sites stand by name.", *((HIDDEN_NOTE,) if rows["hidden"].any() else ()))
    return Table(rows, f"{indicator.label}, by site, {span}.", columns, notes, "funnel")


def case_mix_figure(
    found: CaseMix, indicator: Indicator, *, span: str, caption: str, told: str, message: str = ""
) -> Figure:
    """Draw the shrunken estimate of each site with its interval, by name, against the whole.

    ``span`` are the quarters compared, in words; ``caption`` and ``told`` say what is drawn and what it shows, from the
    findings; ``message`` is the title of a slide, empty for none. The table has a row a site, by name.
    """
    table = found.table
    level = level_of(table)
    raw = "adjusted share" if found.is_adjusted else "share as seen"
    key = [
        Line2D(
            [], [], color=INSIDE, marker="s", markersize=4.5, linewidth=1.4, label=f"shrunk share, {level} interval"
        ),
        Line2D([], [], color=FAINT, marker="o", markersize=4, linestyle="none", label=f"{raw}, not shrunk"),
        Line2D([], [], color=INK, linewidth=0.9, label=f"whole, {numbers.share(found.share)}"),
    ]

    def draw(width: Width, height: float | None = None) -> Drawing:
        columns = int(min(3, np.ceil(len(table) / _ROWS_A_COLUMN))) if width == "wide" else 1
        each = int(np.ceil(len(table) / columns))
        drawing = new_drawing(width, height or (1.0 if width == "wide" else 1.4) + 0.19 * max(each, 3))
        panels = drawing.subplots(1, columns, sharex=True, squeeze=False)[0]
        for number, axes in enumerate(panels):
            one = table.iloc[number * each : (number + 1) * each]
            y = np.arange(len(one))
            axes.axvline(100 * found.share, color=INK, linewidth=0.9, zorder=1)
            axes.hlines(y, 100 * one["lower"], 100 * one["upper"], color=INSIDE, linewidth=1.4, zorder=2)
            axes.plot(100 * one["adjusted"], y, "o", color=FAINT, markersize=4, zorder=3)
            axes.plot(100 * one["estimate"], y, "s", color=INSIDE, markersize=4.5, zorder=4)
            axes.set_yticks(y, [wrap(name, 24 if width == "wide" else 16, lines=1) for name in one["site"]])
            axes.set_ylim(each - 0.4, -0.6)
            axes.tick_params(axis="y", length=0)
            quiet_grid(axes, "x")
            axes.set_xlabel(f"Patients (%), {'adjusted' if found.is_adjusted else 'not adjusted'}")
        key_above(drawing, key, width)
        return drawing

    return Figure(
        name="case-mix",
        title=f"{indicator.title}: sites {'after adjustment for case mix' if found.is_adjusted else 'shrunk towards the whole'}",
        caption=caption,
        alt=told,
        table=Table(
            table,
            f"Observed against expected by site: {indicator.label[:1].lower() + indicator.label[1:]}, {span}.",
            (
                Column("site", "Site"),
                Column("n", "Patients", "count"),
                Column("observed", "Observed", "count"),
                Column("expected", "Expected", "number", 1),
                Column("ratio", "Observed / expected", "number", 2),
                Column("adjusted", "Adjusted share", "share"),
                Column("estimate", f"Shrunk ({level} interval)", "share with interval"),
            ),
            (intervals_by(table), *found.notes),
            name="case-mix",
        ),
        draw=draw,
        message=message,
        draw_for_slide=lambda: draw("wide", _SLIDE_HEIGHT if len(table) <= 2 * _ROWS_A_COLUMN else 4.2),
    )


def _limits(axes: Axes, found: Funnel, factor: float) -> None:
    """Draw the whole and the limits, the widened ones where sites differ by more than chance."""
    grid = found.limits
    axes.axhline(found.target * factor, color=INK, linewidth=1.0, zorder=2)
    for name, dash in (("95", (0, (2, 1.5))), ("998", (0, (6, 2)))):
        for side in ("lower", "upper"):
            curve = grid[f"wide_{side}_{name}"] * factor
            axes.plot(grid["denominator"], curve, color=QUIET, linewidth=1.0, linestyle=dash, zorder=2)


def _range(found: Funnel, factor: float, aim: float, *, share: bool) -> tuple[float, float]:
    smallest = found.table["denominator"].min()
    near = found.limits[found.limits["denominator"] >= 0.9 * smallest]
    low = min(float(near["wide_lower_998"].min()), float(found.table["value"].min())) * factor
    high = max(float(near["wide_upper_998"].max()), float(found.table["value"].max())) * factor
    low, high = float(np.nanmin([low, aim])), float(np.nanmax([high, aim]))
    margin = 0.06 * (high - low) + (0.5 if share else 0.0)
    top = high + margin
    return max(low - margin, -0.02 * high), min(top, 102.0) if share else top


def _key(region: pd.Series, *, widened: bool) -> list[Line2D]:
    """Say what each mark that is drawn means, and that limits are widened; the lines have their names at their ends."""
    marks = [
        Line2D([], [], linestyle="none", marker=marker, color=colour, markersize=size, label=f"site {name}")
        for name, (marker, colour, size) in _MARKS.items()
        if region.eq(name).any()
    ]
    wide = Line2D([], [], color=QUIET, linewidth=1.0, linestyle=(0, (6, 2)), label="limits widened: sites differ")
    return [*marks, *([wide] if widened else [])]


def _places(sites: pd.DataFrame, factor: float) -> list[tuple[float, float]]:
    return list(zip(sites["denominator"].tolist(), (sites["value"] * factor).tolist(), strict=True))
