"""Figures of responders: how far patients improved, and how many reached a threshold."""

import numpy as np
import pandas as pd
from matplotlib.figure import Figure as Drawing

from analysis.outcomes.responders.responders import Responders
from analysis.report.parts import numbers
from analysis.report.parts.axes import legend_above, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import (
    INK,
    LOW_ROW,
    MOST_HIGH_ROWS,
    QUIET,
    Width,
    marks,
    new_drawing,
    quiet_grid,
    without_markers,
)
from analysis.report.parts.numbers import in_text, shown_decimals
from analysis.report.parts.tables import Column, Table, intervals_by

_ROOM: dict[Width, int] = {"wide": 90, "narrow": 32}


def change_figure(found: Responders) -> Figure:
    """Draw the share of patients that improved by at least each amount, the thresholds marked.

    Parameters
    ----------
    found : Responders
        A responder analysis.

    Returns
    -------
    Figure
        Its table gives the shares at the thresholds and at a few amounts between.
    """
    measure = found.endpoint.measure
    shares = found.distribution.shares
    names = list(found.table["protocol"])
    drawn = marks(names)
    decimals = shown_decimals(measure)
    table = _at_amounts(shares, found)

    def draw(width: Width) -> Drawing:
        narrow = width == "narrow"
        drawing = new_drawing(width, 3.0 + (0.2 * len(names) if narrow else 0.0))
        axes = drawing.add_subplot()
        for name in names:
            one = shares[shares["protocol"] == name].sort_values("threshold")
            axes.step(
                one["threshold"], one["share"] * 100, where="pre", color=drawn[name].colour, linestyle=drawn[name].dash
            )
        axes.set_ylim(0, 108)
        axes.set_yticks(range(0, 101, 20))
        left, right = axes.get_xlim()
        near = (right - left) * (0.045 if narrow else 0.1)
        row, last = 0, -np.inf
        for value, word in sorted(_marked(found).items()):
            row = (row + 1) % 3 if value - last < near else 0
            last = value
            chosen = value == found.endpoint.to_reach.value
            axes.axvline(value, color=INK if chosen else QUIET, linewidth=1.2 if chosen else 0.8, linestyle="--")
            axes.annotate(
                f"{word} {value:g}", (value, 99 if narrow else 107 - 8 * row), xytext=(3, 0),
                textcoords="offset points", va="top", fontsize=7.5, color=INK if chosen else QUIET,
                rotation=90 if narrow else 0, backgroundcolor=(1, 1, 1, 0.75),
            )  # fmt: skip
        axes.set_xlabel(
            f"Improvement by {numbers.moment(found.endpoint.week)} ({measure.unit})"
            + ("" if narrow else "; worse is negative")
        )
        axes.set_ylabel("Patients improved\nby at least this much (%)")
        quiet_grid(axes, "both")
        legend_above(drawing, without_markers(drawn), width)
        return drawing

    nearer = "" if measure.ideal is None else f" (how much nearer to {measure.ideal:g})"
    return Figure(
        name="change",
        title="Share of patients improved, at every threshold",
        caption=(
            f"For each amount of improvement in {in_text(measure.label)}{nearer} by {numbers.moment(found.endpoint.week)}, the share "
            f"of patients who improved at least that much. A curve further to the right is better. Dashed lines mark "
            f"thresholds. {_denominators(found)}"
        ),
        alt=_change_in_words(found, decimals),
        table=table,
        draw=draw,
    )


def responder_figure(found: Responders, *, message: str = "") -> Figure:
    """Draw the share of responders of each protocol with its interval; its table has a row a protocol.

    The message is what a slide of it says.
    """
    table = found.table
    names = list(table["protocol"])
    drawn = marks(names)
    percent = numbers.level_in_words(found.endpoint.level)

    def draw(width: Width, row_height: float) -> Drawing:
        drawing = new_drawing(width, 0.75 + row_height * len(names))
        axes = drawing.add_subplot()
        for place, row in enumerate(table.itertuples()):
            mark = drawn[str(row.protocol)]
            words = numbers.fraction(row.responders, row.n)
            if numbers.is_missing(row.share):
                axes.annotate("nobody seen", (1, place), va="center", fontsize=8, color=QUIET)
                continue
            share, lower, upper = 100 * np.array([row.share, row.lower, row.upper], dtype=float)
            axes.plot([lower, upper], [place, place], color=mark.colour, linewidth=1.6)
            axes.plot(share, place, marker=mark.marker, color=mark.colour, markersize=7)
            beside = 26 if width == "wide" else 45
            if upper <= 100 - beside:
                at, shift, ha, va = upper, (6, 0), "left", "center"
            elif lower >= beside:
                at, shift, ha, va = lower, (-6, 0), "right", "center"
            else:
                at, shift, ha, va = (lower + upper) / 2, (0, 3), "center", "bottom"
            axes.annotate(
                f"{numbers.share(row.share)} ({words})", (at, place), xytext=shift, textcoords="offset points",
                ha=ha, va=va, fontsize=8, color=mark.colour,
            )  # fmt: skip
        lines = 4 if row_height > LOW_ROW else 2
        axes.set_yticks(range(len(names)), [wrap(name, 24 if width == "wide" else 14, lines=lines) for name in names])
        axes.set_ylim(len(names) - 0.5, -0.6)
        axes.set_xlim(0, 100)
        axes.set_xlabel(
            wrap(f"Patients who reached the threshold by {numbers.moment(found.endpoint.week)} (%)", _ROOM[width])
        )
        quiet_grid(axes, "x")
        return drawing

    reached = [
        f"{row.protocol} {numbers.share(row.share)} ({numbers.fraction(row.responders, row.n)}, {percent} interval "
        f"{numbers.share_interval(row.lower, row.upper)})"
        if row.n
        else f"{row.protocol}: nobody judged"
        for row in table.itertuples()
    ]
    return Figure(
        name="responders",
        title="Responders",
        caption=(
            f"Share of patients who reached the threshold by {numbers.moment(found.endpoint.week)}, with {percent} intervals "
            f"({table['method'].iloc[0]}). {_denominators(found)}"
        ),
        alt=f"Responders at {numbers.moment(found.endpoint.week)}: {'; '.join(reached)}.",
        table=responder_table(found),
        draw=lambda width: draw(width, 0.42 if width == "wide" else 0.5),
        draw_for_slide=(lambda: draw("wide", LOW_ROW)) if len(names) > MOST_HIGH_ROWS else None,
        message=message,
    )


def responder_table(found: Responders) -> Table:
    """Show responders by protocol.

    Parameters
    ----------
    found : Responders
        A responder analysis.
    """
    percent = numbers.level_in_words(found.endpoint.level)
    return Table(
        found.table,
        f"Responders at {numbers.moment(found.endpoint.week)} by protocol.",
        (
            Column("protocol", "Protocol"),
            Column("allocated", "Patients", "count"),
            Column(("responders", "n"), "Responders / denominator", "fraction"),
            Column("share", f"Share ({percent} interval)", "share with interval"),
        ),
        (intervals_by(found.table), *found.notes),
        name="responders",
    )


def _marked(found: Responders) -> dict[float, str]:
    """Thresholds to mark: the one used, and the smallest published MDC and MIC."""
    short = {"minimal important change": "MIC", "minimal detectable change": "MDC"}
    known = {found.endpoint.to_reach.value: short.get(found.endpoint.to_reach.name, "threshold")}
    for kind in ("MIC", "MDC"):
        value = found.endpoint.measure.smallest_threshold(kind)
        if value is not None:
            known.setdefault(value, kind)
    return known


def _at_amounts(shares: pd.DataFrame, found: Responders) -> Table:
    """Tabulate the curve at its thresholds and at the tenths of the improvements seen."""
    measure = found.endpoint.measure
    amounts = sorted(float(value) for value in shares["threshold"].unique())
    picked = set(np.asarray(amounts)[np.linspace(0, len(amounts) - 1, min(len(amounts), 9)).round().astype(int)])
    near = {min(amounts, key=lambda amount: abs(amount - value)) for value in _marked(found)} if amounts else set()
    table = shares[shares["threshold"].isin(picked | near)]
    percent = numbers.level_in_words(found.endpoint.level)
    return Table(
        table,
        f"Share of patients improved by at least each amount ({measure.unit}) by {numbers.moment(found.endpoint.week)}; "
        "a selection of the amounts drawn.",
        (
            Column("threshold", "Improvement", "signed", shown_decimals(measure)),
            Column(("responders", "n"), "Improved / denominator", "fraction"),
            Column("share", f"Share ({percent} interval)", "share with interval"),
        ),
        found.distribution.notes,
        name="change",
        rows_grouped_by="protocol",
    )


def _denominators(found: Responders) -> str:
    parts = [
        f"{row.protocol} {numbers.count(row.n)} of {numbers.count(row.allocated)}" for row in found.table.itertuples()
    ]
    rule = (
        "patients seen"
        if found.endpoint.missing == "excluded"
        else "every patient, those not seen counted as not improved"
    )
    return f"Denominators ({rule}): {'; '.join(parts)}."


def _change_in_words(found: Responders, decimals: int) -> str:
    chosen, measure = found.endpoint.to_reach, found.endpoint.measure
    parts = []
    for row in found.table.itertuples():
        improvement = found.patients.loc[found.patients["protocol"] == row.protocol, "improvement"].dropna()
        middle = numbers.number(improvement.median() if len(improvement) else None, decimals)
        parts.append(
            f"{row.protocol} {numbers.share(row.share)} of {numbers.count(row.n)}, median improvement {middle}"
            + (f" of the {numbers.count(len(improvement))} seen" if len(improvement) != row.n else "")
            if row.n
            else f"{row.protocol}: nobody judged"
        )
    return (
        f"Curves of the share of patients improved by at least each amount by {numbers.moment(found.endpoint.week)}. At the "
        f"threshold of {chosen.value:g} {measure.unit}: {'; '.join(parts)}."
    )
