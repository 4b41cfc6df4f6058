"""Figures of missing data: analyses side by side, the tipping point, and whether probabilities of response are right."""

import numpy as np
import pandas as pd
from matplotlib.figure import Figure as Drawing

from analysis.curves.covariates import adjusted_in_words
from analysis.outcomes.missing.missing_analyses import MissingDataAnalyses
from analysis.outcomes.missing.tipping_point import TippingPoint
from analysis.report.parts import numbers
from analysis.report.parts.axes import panel_grid, wrap, zero_line
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import FAINT, INK, QUIET, Width, marks, new_drawing, quiet_grid
from analysis.report.parts.numbers import in_text, shown_decimals
from analysis.report.parts.tables import Column, Table, intervals_by, level_of

#: The first columns of a table of analyses side by side.
_ANALYSES = (
    Column("line", "Analysis, assumption"),
    Column("n", "Patients", "count"),
    Column("reference_n", "Patients compared with", "count"),
)


def analyses_figure(found: MissingDataAnalyses, *, told: str = "") -> Figure:
    """Draw the difference of each protocol from the reference under every assumption about missing visits.

    Its table has a row an analysis and protocol; ``told`` says what it shows, after what is drawn.
    """
    measure = found.endpoint.measure
    table = _by_protocol(found.differences)
    others = list(dict.fromkeys(table["protocol"]))
    lines = list(dict.fromkeys(table["line"]))
    drawn = {name: mark for name, mark in marks([found.reference, *others]).items() if name != found.reference}
    decimals = shown_decimals(measure)
    percent = level_of(table)

    def draw(width: Width) -> Drawing:
        wide = width == "wide"
        height = 0.9 + (0.27 if wide else 0.36) * len(lines)
        drawing, panels = panel_grid(len(others), width, height=height, sharex=True, sharey=True)
        for name, axes in zip(others, panels.flat, strict=False):
            one = table[table["protocol"] == name].set_index("line").reindex(lines)
            places = np.arange(len(lines))
            mark = drawn[name]
            axes.hlines(places, one["lower"], one["upper"], color=mark.colour, linewidth=1.5)
            axes.plot(one["difference"], places, mark.marker, color=mark.colour, markersize=5.5)
            zero_line(axes, across=False)
            axes.set_yticks(places, [wrap(line, 34 if wide else 24) for line in lines])
            axes.set_ylim(len(lines) - 0.5, -0.5)
            letters = 30 if wide else 22
            axes.set_title(f"{wrap(name, letters)}\n{wrap(f'minus {found.reference}', letters)}", color=mark.colour)
            quiet_grid(axes, "x")
        for axes in panels[-1]:
            axes.set_xlabel(
                wrap(f"Difference at {numbers.moment(found.endpoint.week)} ({measure.unit})", 34 if wide else 26)
            )
        return drawing

    return Figure(
        name="missing-analyses",
        title="The difference under several assumptions about missing visits",
        caption=(
            f"Differences in {in_text(measure.label)} from {found.reference} at {numbers.moment(found.endpoint.week)} with "
            f"{percent} intervals, adjusted for {adjusted_in_words(found.covariates) or 'nothing'}. Where the rows agree, "
            "the finding does not hang on which of these assumptions holds."
        ),
        alt=" ".join(
            filter(
                None, (f"Differences from {found.reference} under {len(lines)} assumptions about missing visits.", told)
            )
        ),
        table=Table(
            table,
            "Differences of means under several assumptions about missing visits.",
            (
                *_ANALYSES,
                Column(
                    "difference", f"Difference in {measure.unit} ({percent} interval)", "signed with interval", decimals
                ),
            ),
            found.notes,
            name="missing-analyses",
            rows_grouped_by="protocol",
        ),
        draw=draw,
    )


def responder_analyses_table(found: MissingDataAnalyses) -> Table:
    """Show the differences of responder shares under every assumption, of a measure with a threshold."""
    table = _by_protocol(found.responders)
    percent = level_of(table)
    return Table(
        table,
        f"Differences of responder shares from {found.reference} at {numbers.moment(found.endpoint.week)} under several "
        "assumptions about missing visits.",
        (
            *_ANALYSES,
            Column("difference", f"Percentage points ({percent} interval)", "points with interval"),
            Column("method", "Method of the interval"),
        ),
        (found.endpoint.to_reach.words,),
        name="missing-responders",
        rows_grouped_by="protocol",
    )


def tipping_figure(found: TippingPoint, *, told: str = "") -> Figure:
    """Draw the difference of each protocol against the shift of its missing values.

    Parameters
    ----------
    found : TippingPoint
        The analysis.
    told : str
        What it shows, in a sentence that stands after what is drawn; empty for none.

    Returns
    -------
    Figure
        Its table has a row a protocol and shift.
    """
    measure = found.endpoint.measure
    table, turns = found.table, found.tipping.set_index("protocol")
    others = list(dict.fromkeys(table["protocol"]))
    drawn = marks([found.reference, *others])
    decimals = shown_decimals(measure)
    percent = level_of(table)

    def draw(width: Width) -> Drawing:
        drawing, panels = panel_grid(len(others), width, above=0.5, height=2.5, sharex=True, sharey=True)
        for name, axes in zip(others, panels.flat, strict=False):
            one = table[table["protocol"] == name]
            colour = drawn[name].colour
            axes.fill_between(one["delta"], one["lower"], one["upper"], color=colour, alpha=0.18, linewidth=0)
            axes.plot(one["delta"], one["difference"], color=colour)
            zero_line(axes)
            axes.axvline(0, color=FAINT, linewidth=1)
            turn = float(turns.loc[name, "delta"])
            if np.isfinite(turn):
                axes.axvline(turn, color=INK, linewidth=1, linestyle="--")
                axes.annotate(
                    f"turns at {numbers.signed(turn, decimals)}", (turn, 0.98), xycoords=("data", "axes fraction"),
                    xytext=(3, 0), textcoords="offset points", va="top", fontsize=7.5, color=QUIET,
                    backgroundcolor=(1, 1, 1, 0.75),
                )  # fmt: skip
            axes.set_title(f"{wrap(name, 30)}\n{wrap(f'minus {found.reference}', 30)}", color=colour)
            quiet_grid(axes)
        for axes in panels[-1]:
            axes.set_xlabel(wrap(f"Added to the missing values ({measure.unit})", 34))
        for axes in panels[:, 0]:
            axes.set_ylabel(f"Difference ({measure.unit})")
        return drawing

    return Figure(
        name="tipping-point",
        title="Tipping point",
        caption=(
            f"Difference in {in_text(measure.label)} at {numbers.moment(found.endpoint.week)} with {percent} intervals "
            f"({table['method'].iloc[0]}), when the values missing in one protocol lie higher or lower than the model "
            "expects by the amount on the axis below."
            + (" The dashed line is where the finding turns." if turns["delta"].notna().any() else "")
        ),
        alt=" ".join(
            filter(
                None,
                (f"Differences from {found.reference} by what is added to the missed values, with intervals.", told),
            )
        ),
        table=Table(
            table,
            f"Difference from {found.reference} by the shift of the missing values ({measure.unit}).",
            (
                Column("delta", "Shift", "signed", decimals),
                Column(("n_missing", "n"), "Shifted, of patients", "fraction"),
                Column("difference", f"Difference ({percent} interval)", "signed with interval", decimals),
            ),
            found.notes,
            name="tipping-point",
            rows_grouped_by="protocol",
        ),
        draw=draw,
    )


def calibration_figure(table: pd.DataFrame, *, truth: str) -> Figure:
    """Draw how often patients responded among those given each probability of response.

    Parameters
    ----------
    table : pandas.DataFrame
        As of :func:`analysis.statistics.calibration.calibration_table`.
    truth : str
        What the probabilities are compared with, in a few words.

    Returns
    -------
    Figure
        Its table has a row a band of probabilities.

    Examples
    --------
    >>> from analysis.outcomes import calibration_table
    >>> table = calibration_table([0.05, 0.08, 0.95, 0.97], [False, True, True, True])
    >>> calibration_figure(table, truth="what was true").title
    'Are the probabilities of response right?'
    """
    known = table[table["n"] > 0]
    percent = level_of(table)
    furthest = float((known["share"] - known["mean_probability"]).abs().max()) if len(known) else float("nan")

    def draw(width: Width) -> Drawing:
        drawing = new_drawing(width, 3.4)
        axes = drawing.add_subplot()
        axes.plot([0, 100], [0, 100], color=FAINT, linewidth=1)
        axes.vlines(
            100 * known["mean_probability"], 100 * known["lower"], 100 * known["upper"], color=INK, linewidth=1.4
        )
        axes.plot(100 * known["mean_probability"], 100 * known["share"], "o", color=INK, markersize=5)
        axes.set_aspect("equal")
        axes.set_xlim(-2, 102)
        axes.set_ylim(-2, 102)
        axes.set_xlabel("Mean probability given (%)")
        axes.set_ylabel("Patients who responded (%)")
        quiet_grid(axes, "both")
        return drawing

    return Figure(
        name="calibration",
        title="Are the probabilities of response right?",
        caption=(
            f"Patients in bands of their probability of response, against {truth}, with {percent} intervals "
            f"({table['method'].iloc[0]}). On the line the probabilities are right."
        ),
        alt=(
            f"The share of patients who responded differs from the mean probability given by at most "
            f"{numbers.points(furthest, 1).lstrip('+')} percentage points in {numbers.plural(len(known), 'band')}."
        ),
        table=Table(
            table,
            "Probability given and share who responded.",
            (
                Column(("band_from", "band_to"), "Band", "shares"),
                Column("mean_probability", "Mean probability", "share", 1),
                Column(("responders", "n"), "Responded, of patients", "fraction"),
                Column("share", f"Share ({percent} interval)", "share with interval", 1),
            ),
            (intervals_by(table),),
            name="calibration",
        ),
        draw=draw,
    )


def _by_protocol(table: pd.DataFrame) -> pd.DataFrame:
    """Name each analysis with its assumption, and put the rows of a protocol together."""
    pairs = zip(table["analysis"], table["assumption"], strict=True)
    place = {name: number for number, name in enumerate(dict.fromkeys(table["protocol"]))}
    named = table.assign(line=[_named(str(analysis), str(assumption)) for analysis, assumption in pairs])
    return named.sort_values("protocol", key=lambda names: names.map(place), kind="stable", ignore_index=True)


def _named(analysis: str, assumption: str) -> str:
    if analysis == "multiple imputation":
        return f"imputation: {assumption}"
    return f"{analysis}: {assumption}" if analysis == "mixed model" else analysis
