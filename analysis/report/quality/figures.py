"""The figures of a data-quality report: completeness by week, and last digits."""

import numpy as np
import pandas as pd
from matplotlib.figure import Figure as Drawing
from matplotlib.ticker import MaxNLocator

from analysis.report.parts import numbers
from analysis.report.parts.axes import panel_grid, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import FAINT, INK, QUIET, Width, marks, quiet_grid
from analysis.report.parts.tables import Column, Table

_BAR = "#0067a3"


def completeness_figure(by_week: pd.DataFrame, level: float, *, told: str, message: str) -> Figure:
    """Draw the share of expected values that are there, a panel a measure.

    ``by_week`` has measure (label), week, expected, seen, share, lower, upper; ``told`` says what it shows, ``message`` the
    same as the title of a slide.
    """
    names = list(dict.fromkeys(by_week["measure"]))
    colour = marks(["", *names])[names[0]].colour if names else _BAR

    def draw(width: Width) -> Drawing:
        drawing, panels = panel_grid(len(names), width, above=0.5, height=1.75, sharex=True, sharey=True)
        columns = panels.shape[1]
        for name, axes in zip(names, panels.flat, strict=False):
            one = by_week[by_week["measure"] == name]
            share = 100 * one[["share", "lower", "upper"]].to_numpy(dtype=float)
            reach = np.abs(share[:, 1:] - share[:, [0]]).T  # at 100 % the limit differs by a rounding error
            axes.errorbar(
                one["week"], share[:, 0], yerr=reach, color=colour,
                marker="o", markersize=4, linewidth=1.3, elinewidth=1,
            )  # fmt: skip
            axes.set_title(wrap(str(name), 30 if columns > 1 else 44), color=INK)
            axes.set_ylim(0, 104)
            quiet_grid(axes)
        for axes in panels[:, 0]:
            axes.set_ylabel("There (%)")
        for axes in panels.flat[max(0, len(names) - columns) : len(names)]:
            axes.set_xlabel("Week")
            axes.tick_params(axis="x", labelbottom=True)
        return drawing

    return Figure(
        name="completeness",
        title="Values that are there, by week",
        caption=(
            "Share of the patients of the cohort with a value, for each measure at the weeks at which it was scheduled; "
            f"bars are {numbers.level_in_words(level)} confidence intervals (Wilson's score). Patients who withdrew count "
            "as expected."
        ),
        alt=told,
        table=Table(
            by_week,
            "Values that are there among those expected, by measure and week.",
            (
                Column("week", "Week", "week"),
                Column(("seen", "expected"), "There", "fraction"),
                Column("share", "Share", "share with interval"),
            ),
            name="completeness-week",
            rows_grouped_by="measure",
        ),
        draw=draw,
        message=message,
    )


def digit_figure(digits: pd.DataFrame, *, told: str) -> Figure:
    """Draw how often values end in each digit, a panel a measure, beside the tenth that is expected.

    ``digits`` has measure (label), n, place, digit_0 to digit_9, share_0_or_5, chi_square, df, p_value; ``told`` says what
    the bars show.
    """
    columns_of_digits = [f"digit_{i}" for i in range(10)]

    def draw(width: Width) -> Drawing:
        drawing, panels = panel_grid(len(digits), width, above=0.5, height=1.75, sharex=True, sharey=True)
        columns = panels.shape[1]
        for (_, row), axes in zip(digits.iterrows(), panels.flat, strict=False):
            shares = 100 * row[columns_of_digits].to_numpy(dtype=float) / row["n"]
            axes.bar(range(10), shares, color=_BAR, width=0.7)
            axes.axhline(10, color=QUIET, linewidth=1, linestyle=(0, (4, 2)))
            words = wrap(str(row["measure"]), 30 if columns > 1 else 44)
            axes.set_title(f"{words}\nn = {numbers.count(row['n'])}", color=INK)
            axes.yaxis.set_major_locator(MaxNLocator(4, integer=True))
            axes.set_xticks(range(10))
            axes.tick_params(axis="x", labelbottom=True, color=FAINT)
            quiet_grid(axes)
        for axes in panels[:, 0]:
            axes.set_ylabel("Values (%)")
        for axes in panels.flat[max(0, len(digits) - columns) : len(digits)]:
            axes.set_xlabel("Last digit")
        return drawing

    shown = digits.assign(share=digits["share_0_or_5"], ends=np.round(digits["share_0_or_5"] * digits["n"]).astype(int))
    return Figure(
        name="digits",
        title="Last digits of the values",
        caption=(
            "Share of the values that end in each digit, at the place to which nearly all values of the measure are "
            "recorded; the dashed line is the tenth that is expected without a preference."
        ),
        alt=told,
        table=Table(
            shown,
            "Last digits: how many values end in 0 or 5, and a test of all ten digits.",
            (
                Column("measure", "Measure"),
                Column("place", "Last place (unit of the measure)", "number", 2),
                Column(("ends", "n"), "End in 0 or 5", "fraction with share"),
                Column("chi_square", "Chi-square (9 df)", "number", 1),
                Column("p_value", "p", "p"),
            ),
            (
                "Pearson's chi-square test that all ten digits are equally frequent, not adjusted for the number of tests.",
            ),
            name="digits-table",
        ),
        draw=draw,
    )
