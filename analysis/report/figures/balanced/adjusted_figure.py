"""Means by week among patients made alike, with the unadjusted ones in grey behind."""

import pandas as pd
from matplotlib.figure import Figure as Drawing

from analysis.outcomes.unrandomised.observational_comparison import ObservationalComparison
from analysis.report.parts import numbers
from analysis.report.parts.axes import axes_inches, draw_estimates, panel_grid, week_axis, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import QUIET, Width, marks, quiet_grid
from analysis.report.parts.numbers import capitalised, in_text, shown_decimals
from analysis.report.parts.tables import Column, Table


def adjusted_figure(found: ObservationalComparison, *, told: str = "", message: str = "") -> Figure:
    """Draw the means of each protocol by week in the target, and in grey the unadjusted ones.

    ``told`` is what it shows, in sentences; ``message`` what a slide says above it, empty for none.
    """
    table = _beside(found)
    measure, decimals = found.measure, shown_decimals(found.measure)
    names = list(found.weighting.protocols)
    percent = numbers.level_in_words(float(found.means["level"].iloc[0]))
    weeks = f"from {numbers.moment(min(found.weeks))} to {numbers.moment(max(found.weeks))}"
    weeks = weeks if len(found.weeks) > 1 else f"at {numbers.moment(found.weeks[0])}"
    return Figure(
        name="balanced",
        title=f"{measure.label} by week among patients made alike",
        caption=(
            f"Means in {measure.unit} with {percent} intervals ({found.means['method'].iloc[0]}); grey with dashes: unadjusted means. "
            "Missed visits have the mean that the mixed model expects of the patient."
        ),
        alt=" ".join(
            filter(
                None,
                (
                    f"Means of {in_text(measure.label)} of {numbers.listed(names)} {weeks}, balanced and unadjusted.",
                    told,
                ),
            )
        ),
        table=Table(
            table,
            f"{measure.label} ({measure.unit}): means among patients made alike, and unadjusted, by week.",
            (
                Column("week", "Week", "week"),
                Column("estimate", f"Mean, balanced ({percent} interval)", "number with interval", decimals),
                Column("crude", "Mean, unadjusted", "number", decimals),
                Column(("seen", "n"), "Seen", "fraction"),
            ),
            ("Seen: patients with a value at the week, of those compared.",),
            name="balanced",
            rows_grouped_by="protocol",
        ),
        draw=lambda width: _draw(table, names, found, width),
        message=capitalised(message),
    )


def _beside(found: ObservationalComparison) -> pd.DataFrame:
    crude = found.crude_model.means(by="protocol", weeks=list(found.weeks))[["protocol", "week", "estimate"]]
    crude = crude.rename(columns={"estimate": "crude"}).astype({"protocol": "str"})
    return found.means.astype({"protocol": "str"}).merge(crude, on=["protocol", "week"], how="left")


def _draw(table: pd.DataFrame, names: list[str], found: ObservationalComparison, width: Width) -> Drawing:
    drawn = marks(names)
    drawing, panels = panel_grid(len(names), width, above=0.4, height=2.4, sharex=True, sharey=True)
    columns = panels.shape[1]
    for name, axes in zip(names, panels.flat, strict=False):
        own = table[table["protocol"] == name]
        axes.plot(own["week"], own["crude"], color=QUIET, linestyle="--", linewidth=1.1, marker=".", zorder=2)
        axes.plot(own["week"], own["estimate"], color=drawn[name].colour, linestyle=drawn[name].dash, zorder=3)
        draw_estimates(axes, own, drawn[name], smooth=False)
        week_axis(axes, list(found.weeks), inches=axes_inches(width, columns=columns))
        axes.set_title(wrap(name, 27 if columns > 1 else 34), color=drawn[name].colour)
        quiet_grid(axes)
    for axes in panels[:, 0]:
        axes.set_ylabel(f"{wrap(found.measure.label, 26)}\n({found.measure.unit})")
    return drawing
