"""Forests: all outcomes beside each other in standard deviations, and the differences within groups of patients."""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing

from analysis.curves.covariates import column_in_words
from analysis.outcomes.comparisons.compare_outcomes import OutcomesInOrder
from analysis.outcomes.comparisons.subgroups import SubgroupDifferences
from analysis.report.parts import numbers
from analysis.report.parts.axes import legend_above, wrap, zero_line
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import QUIET, Mark, Width, marks, new_drawing, quiet_grid
from analysis.report.parts.numbers import capitalised, in_text, shown_decimals
from analysis.report.parts.tables import Column, Table

#: What stands in the place of lines that cannot be drawn.
NOTHING_DRAWN = "not compared"
_STANDARDISED = "Standard deviations; to the right is better"
#: A higher picture would be shrunk on a slide.
_SLIDE_INCHES = 3.9


def outcomes_figure(found: OutcomesInOrder, *, message: str = "") -> Figure:
    """Draw the standardised difference of every outcome and protocol, better to the right; its table has them.

    The message is what a slide of it says.
    """
    table = found.table.assign(
        **{
            name: found.table[name] * found.table["better"]
            for name in ("standardised", "standardised_lower", "standardised_upper")
        }
    )
    turned = table["better"] < 0
    table.loc[turned, ["standardised_lower", "standardised_upper"]] = table.loc[
        turned, ["standardised_upper", "standardised_lower"]
    ].to_numpy()
    reference, percent = str(table["reference"].iloc[0]), numbers.level_in_words(found.level)
    ideal = [one.measure for one in found.curves.values() if one.measure.ideal is not None]
    note = "".join(f" Of {in_text(one.label)} higher is better up to a mean of {one.ideal:g}." for one in ideal)
    rows = table.rename(
        columns={
            "standardised": "estimate_drawn",
            "standardised_lower": "lower_drawn",
            "standardised_upper": "upper_drawn",
        }
    )
    return Figure(
        name="outcomes",
        title="All outcomes in standard deviations",
        caption=(
            f"Differences from {reference} in standard deviations of the values at the start (Hedges' g) with {percent} intervals, each by "
            f"itself; to the right is better.{note} The first outcome is the primary one."
        ),
        alt=f"Lines of {numbers.plural(table['label'].nunique(), 'outcome')}, better to the right. {_drawn(rows, 'label', 2)}",
        table=Table(
            table,
            f"Differences from {reference} in standard deviations.",
            (
                Column("label", "Outcome"),
                Column("standard_deviation", "Standard deviation (unit of the measure)", "number", 2),
                Column(
                    ("standardised", "standardised_lower", "standardised_upper"), f"Better is positive ({percent} interval)",
                    "signed with interval", 2,
                ),
            ),
            ("Intervals: normal, delta method.",),
            name="outcomes-standardised",
            rows_grouped_by="protocol",
        ),
        draw=lambda width: _forest(rows, "label", width, _STANDARDISED, reference),
        draw_for_slide=lambda: _forest(rows, "label", "wide", _STANDARDISED, reference, highest=_SLIDE_INCHES),
        message=message,
    )  # fmt: skip


def subgroup_figure(found: SubgroupDifferences, *, message: str = "") -> Figure:
    """Draw the difference of each protocol within each group; its table has them with their patients.

    The message is what a slide of it says.
    """
    curves, table = found.curves, found.table
    measure, reference = curves.measure, curves.protocols[0]
    percent, decimals = numbers.level_in_words(float(table["level"].iloc[0])), shown_decimals(measure)
    rows = table.assign(estimate_drawn=table["estimate"], lower_drawn=table["lower"], upper_drawn=table["upper"])
    by = column_in_words(found.by)
    side = "right" if measure.sign > 0 else "left"
    label = f"Difference in {in_text(measure.label)} ({measure.unit}); to the {side} is better"
    return Figure(
        name=f"subgroup-{found.by}".replace("_", "-"),
        title=f"Differences by {by}",
        caption=(
            f"Differences in {in_text(measure.label)} from {reference} at {numbers.moment(curves.primary_week)} within groups by {by}, with "
            f"{percent} intervals, none adjusted for the number of groups."
        ),
        alt=f"Lines of {numbers.plural(table['group'].nunique(), 'group')} by {by}. {_drawn(rows, 'group', decimals)}",
        table=Table(
            table,
            f"Differences from {reference} by {by} ({measure.unit}).",
            (
                Column("group", "Group"),
                Column("n", "Patients", "count"),
                Column("reference_n", f"Patients with {reference}", "count"),
                Column(
                    ("estimate", "lower", "upper"), f"Difference ({percent} interval)", "signed with interval", decimals
                ),
            ),
            found.notes,
            name=f"subgroup-{found.by}".replace("_", "-"),
            rows_grouped_by="protocol",
        ),
        draw=lambda width: _forest(rows, "group", width, label, reference),
        draw_for_slide=lambda: _forest(rows, "group", "wide", label, reference, highest=_SLIDE_INCHES),
        message=message,
    )


def _drawn(rows: pd.DataFrame, by: str, decimals: int) -> str:
    """Say what each line shows, protocol by protocol."""
    said = []
    for name, own in rows.groupby("protocol", sort=False):
        lines = [
            f"{in_text(str(row[by]))} "
            + (
                "not compared"
                if np.isnan(row["estimate_drawn"])
                else f"{numbers.signed(row['estimate_drawn'], decimals)} "
                f"({numbers.interval(row['lower_drawn'], row['upper_drawn'], decimals)})"
            )
            for row in own.to_dict("records")
        ]
        said.append(f"{capitalised(str(name))}: {', '.join(lines)}.")
    return " ".join(said)


def _forest(
    rows: pd.DataFrame, by: str, width: Width, label: str, reference: str, *, highest: float = float("inf")
) -> Drawing:
    """Draw a block of lines a value of ``by``, in it a line a protocol; at most so many inches high."""
    names = list(dict.fromkeys(rows["protocol"].astype(str)))
    drawn: Mapping[str, Mark] = {name: one for name, one in marks([reference, *names]).items() if name != reference}
    groups = list(dict.fromkeys(rows[by].astype(str)))
    height = 0.9 + 0.34 * len(groups) + 0.13 * len(rows) + (0.2 * len(names) if width == "narrow" else 0)
    drawing = new_drawing(width, min(height, highest))
    axes: Axes = drawing.add_subplot()
    spread = 0.6 / max(len(names), 1)
    for place, group in enumerate(groups):
        if rows.loc[rows[by].astype(str) == group, "estimate_drawn"].isna().all():
            axes.annotate(
                NOTHING_DRAWN,
                (0.0, place),
                xytext=(4, 0),
                textcoords="offset points",
                va="center",
                fontsize=8,
                color=QUIET,
            )
        for position, name in enumerate(names):
            one = rows[(rows[by].astype(str) == group) & (rows["protocol"].astype(str) == name)]
            at = place + (position - (len(names) - 1) / 2) * spread
            estimate, lower, upper = (float(one[f"{part}_drawn"].iloc[0]) for part in ("estimate", "lower", "upper"))
            if np.isnan(estimate):
                continue
            axes.plot([lower, upper], [at, at], color=drawn[name].colour, linewidth=1.5)
            axes.plot([estimate], [at], drawn[name].marker, color=drawn[name].colour, markersize=5.5)
    zero_line(axes, across=False)
    axes.set_yticks(range(len(groups)), [wrap(group, 34 if width == "wide" else 16) for group in groups])
    axes.set_ylim(len(groups) - 0.5, -0.5)
    axes.set_xlabel(wrap(label, 90 if width == "wide" else 32))
    quiet_grid(axes, "x")
    legend_above(drawing, drawn, width)
    return drawing
