"""Figures of responders: how far patients improved, and how many reached a threshold."""

from dataclasses import dataclass
from typing import Self

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing

from analysis.outcomes.responders.responders import Responders
from analysis.report.parts import numbers
from analysis.report.parts.axes import legend_above, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import (
    INK,
    LOW_ROW,
    MOST_HIGH_ROWS,
    PAPER,
    QUIET,
    Width,
    marks,
    new_drawing,
    quiet_grid,
    without_markers,
)
from analysis.report.parts.numbers import capitalised, in_text, shown_decimals
from analysis.report.parts.tables import Column, Format, Table, intervals_by

#: How high the name of a threshold stands, in percentage points of the axis of a curve.
_NAME_HIGH = 8
_ROOM: dict[Width, int] = {"wide": 90, "narrow": 32}


@dataclass(frozen=True)
class _Amounts:
    """How what is compared with the threshold is named in the figure of all thresholds; ``column`` has it by patient."""

    title: str
    each: str
    who: str
    who_each: str
    axis: str
    amount: str
    column: str

    @classmethod
    def of(cls, found: Responders) -> Self:
        endpoint, measure = found.endpoint, found.endpoint.measure
        label, ideal = in_text(measure.label), measure.ideal
        if endpoint.criterion != "state":
            nearer = "" if ideal is None else f" (how much nearer to {ideal:g})"
            column = "improvement" if endpoint.criterion == "improvement" else "amount"
            title = "Share of patients improved, at every threshold"
            each, who = f"amount of {endpoint.amount_words} in {label}{nearer}", "who improved by at least that much"
            axis = "Patients improved\nby at least this much (%)"
            return cls(title, each, who, "who improved by at least each amount", axis, endpoint.amount_words, column)
        side = "at least" if endpoint.turn > 0 else "at most"
        near = f"with a value at least as near to {ideal:g}" if ideal is not None else f"with {side} that"
        axis = "Patients at least\nas near as this (%)" if ideal is not None else f"Patients with\n{side} this (%)"
        every = f"with {side} each value" if ideal is None else f"at least as near to {ideal:g} as each value"
        return cls("Share of patients at every value", f"value of {label}", near, every, axis, "value", "value")


def change_figure(found: Responders) -> Figure:
    """Draw the share of patients that improved by at least each amount, or have at least each value; the thresholds marked.

    Parameters
    ----------
    found : Responders
        A responder analysis.

    Returns
    -------
    Figure
        Its table gives the shares at the thresholds and at a few amounts between.
    """
    endpoint, measure, words = found.endpoint, found.endpoint.measure, _Amounts.of(found)
    shares = found.distribution.shares
    judged = found.table["n"] > 0
    names, others = list(found.table.loc[judged, "protocol"]), list(found.table.loc[~judged, "protocol"])
    drawn = {name: mark for name, mark in marks(list(found.table["protocol"])).items() if name in names}
    decimals = 0 if endpoint.criterion == "percent" else shown_decimals(measure)
    table = _at_amounts(shares, found, decimals)

    def draw(width: Width) -> Drawing:
        narrow = width == "narrow"
        drawing = new_drawing(width, 3.0 + (0.2 * len(names) if narrow else 0.0))
        axes = drawing.add_subplot()
        for name in names:
            one = shares[shares["protocol"] == name].sort_values("threshold")
            axes.step(
                one["threshold"], one["share"] * 100, where="pre" if endpoint.turn > 0 else "post",
                color=drawn[name].colour, linestyle=drawn[name].dash,
            )  # fmt: skip
        axes.set_yticks(range(0, 101, 20))
        _name_thresholds(axes, found, apart=0.28 if narrow else 0.1)
        beside = "; worse is negative" if endpoint.criterion != "state" else ""
        if measure.ideal is not None and endpoint.criterion == "state":
            beside = f"; beyond {measure.ideal:g} drawn as far short of it"
        amount = f"{capitalised(words.amount)} {endpoint.when_words} ({endpoint.to_reach.unit})"
        axes.set_xlabel(amount if narrow else amount + beside)
        axes.set_ylabel(words.axis)
        quiet_grid(axes, "both")
        legend_above(drawing, without_markers(drawn), width)
        return drawing

    absent = f" Not drawn, as nobody was judged: {numbers.listed(others)}." if others else ""
    return Figure(
        name="change",
        title=words.title,
        caption=(
            f"For each {words.each} {endpoint.when_words}, the share of patients {words.who}. A curve further to the "
            f"{'right' if endpoint.turn > 0 else 'left'} is better. {_marked_in_words(found)}{absent} {_denominators(found)}"
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
                axes.annotate("nobody judged", (1, place), va="center", fontsize=8, color=QUIET)
                continue
            share, lower, upper = 100 * np.array([row.share, row.lower, row.upper], dtype=float)
            axes.plot([lower, upper], [place, place], color=mark.colour, linewidth=1.6)
            axes.plot(share, place, marker=mark.marker, color=mark.colour, markersize=7, clip_on=False, zorder=4)
            beside = 26 if width == "wide" else 50
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
        axes.set_yticks(range(len(names)), [wrap(name, 24 if width == "wide" else 18, lines=lines) for name in names])
        axes.set_ylim(len(names) - 0.5, -0.6)
        axes.set_xlim(0, 100)
        axes.set_xlabel(wrap(f"Patients who reached the threshold {found.endpoint.when_words} (%)", _ROOM[width]))
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
            f"Share of patients who reached the threshold {found.endpoint.when_words}, with {percent} intervals "
            f"({table['method'].iloc[0]}). {_denominators(found)}"
        ),
        alt=f"Responders at {numbers.moment(found.endpoint.week)}: {'; '.join(reached)}.",
        table=responder_table(found),
        draw=lambda width: draw(width, 0.42 if width == "wide" else 0.4),
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
    """Thresholds to mark: the one used, and of improvements the smallest published MDC and MIC."""
    short = {"minimal important change": "MIC", "minimal detectable change": "MDC"}
    known = {found.endpoint.to_reach.value: short.get(found.endpoint.to_reach.name, "threshold")}
    for kind in ("MIC", "MDC") if found.endpoint.criterion == "improvement" else ():
        value = found.endpoint.measure.smallest_threshold(kind)
        if value is not None:
            known.setdefault(value, kind)
    return known


def _name_thresholds(axes: Axes, found: Responders, *, apart: float) -> None:
    """Mark the thresholds, their names above the curves; within ``apart`` of the axis of each other a name stands higher."""
    left, right = axes.get_xlim()
    row, rows, last = 0, 1, -np.inf
    for value, word in sorted(_marked(found).items()):
        row = row + 1 if value - last < (right - left) * apart else 0
        rows, last = max(rows, row + 1), value
        chosen = value == found.endpoint.to_reach.value
        colour = INK if chosen else QUIET
        axes.axvline(value, color=colour, linewidth=1.2 if chosen else 0.8, linestyle="--")
        axes.annotate(
            f"{word} {value:g}", (value, 103 + _NAME_HIGH * row), xytext=(3, 0), textcoords="offset points", va="bottom",
            fontsize=7.5, color=colour, bbox={"boxstyle": "square,pad=0.05", "facecolor": PAPER, "edgecolor": "none"},
        )  # fmt: skip
    axes.set_ylim(0, 104 + _NAME_HIGH * rows)


def _marked_in_words(found: Responders) -> str:
    """Say what the dashed lines are: the threshold used, and the others marked."""
    endpoint, long = found.endpoint, {"MIC": "minimal important change", "MDC": "minimal detectable change"}
    lines = [
        (value == endpoint.to_reach.value, f"{value:g} {endpoint.to_reach.unit}", long.get(word, ""))
        for value, word in sorted(_marked(found).items())
    ]
    (used,) = (f"{at}, {what}" if what else at for is_used, at, what in lines if is_used)
    others = [f"{at}, {what}" for is_used, at, what in lines if not is_used]
    return (
        f"The dashed line is the threshold used ({used})."
        if not others
        else (f"The dark dashed line is the threshold used ({used}); pale: {'; '.join(others)}.")
    )


def _at_amounts(shares: pd.DataFrame, found: Responders, decimals: int) -> Table:
    """Tabulate the curve at its thresholds and at the tenths of the amounts seen."""
    endpoint, words = found.endpoint, _Amounts.of(found)
    form: Format = "number" if endpoint.criterion == "state" else "signed"
    amounts = sorted(float(value) for value in shares["threshold"].unique())
    picked = set(np.asarray(amounts)[np.linspace(0, len(amounts) - 1, min(len(amounts), 9)).round().astype(int)])
    near = {min(amounts, key=lambda amount: abs(amount - value)) for value in _marked(found)} if amounts else set()
    table = shares[shares["threshold"].isin(picked | near)]
    percent = numbers.level_in_words(found.endpoint.level)
    return Table(
        table,
        f"{words.title}: {words.each} ({endpoint.to_reach.unit}) {endpoint.when_words}; a selection of those drawn.",
        (
            Column("threshold", capitalised(words.amount), form, decimals),
            Column(("responders", "n"), "Patients / denominator", "fraction"),
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
        else f"every patient, those not seen counted as {found.endpoint.not_reached_words}"
    )
    return f"Denominators ({rule}): {'; '.join(parts)}."


def _change_in_words(found: Responders, decimals: int) -> str:
    chosen, words, parts = found.endpoint.to_reach, _Amounts.of(found), []
    for row in found.table.itertuples():
        seen = found.patients.loc[found.patients["protocol"] == row.protocol, words.column].dropna()
        middle = numbers.number(seen.median() if len(seen) else None, decimals)
        parts.append(
            f"{row.protocol} {numbers.share(row.share)} of {numbers.count(row.n)}, median {words.amount} {middle}"
            + (f" of the {numbers.count(len(seen))} seen" if len(seen) != row.n else "")
            if row.n
            else f"{row.protocol}: nobody judged"
        )
    return (
        f"Curves of the share of patients {words.who_each}, {found.endpoint.when_words}. At the threshold of {chosen.value:g} "
        f"{chosen.unit}: {'; '.join(parts)}."
    )
