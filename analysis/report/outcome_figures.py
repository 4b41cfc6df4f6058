"""Figures of outcomes: what was measured by week, how far patients improved, and how many reached a threshold."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.report import numbers
from analysis.report.axes import legend_above, wrap
from analysis.report.figures import Figure
from analysis.report.look import (
    INK,
    MOST_IN_ONE_PANEL,
    QUIET,
    Width,
    marks,
    new_drawing,
    quiet_grid,
    without_markers,
)
from analysis.report.numbers import in_text, shown_decimals
from analysis.report.tables import Column, Table

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

    from analysis.cohort.measures import Measure
    from analysis.outcomes.responders import Responders

#: A measure seen at more weeks than this is summarised in this many spans of equal numbers of visits.
MOST_WEEKS_SHOWN = 12
_ROOM: dict[Width, int] = {"wide": 90, "narrow": 32}


def seen_summary(visits: pd.DataFrame) -> pd.DataFrame:
    """Summarise the values of one measure by protocol and week, or by span of weeks where there are many.

    Parameters
    ----------
    visits : pandas.DataFrame
        As :func:`analysis.cohort.visit_frame` gives it.

    Returns
    -------
    pandas.DataFrame
        protocol, week (text), position, n (patients), mean, standard_deviation, median, lower_quartile,
        upper_quartile, lowest, highest; in the unit of the measure.

    Examples
    --------
    >>> frame = pd.DataFrame({"patient_id": ["a", "b"], "protocol": "usual", "week": [6, 6], "value": [1.0, 3.0]})
    >>> seen_summary(frame)[["week", "n", "mean"]].values.tolist()
    [['6', 2, 2.0]]
    """
    known = visits[visits["value"].notna()].copy()
    known["protocol"] = known["protocol"].astype("str")
    known["position"], words = _spans(known["week"])
    grouped = known.groupby(["protocol", "position"], sort=True)
    value = grouped["value"]
    table = pd.DataFrame(
        {
            "n": grouped["patient_id"].nunique(),
            "mean": value.mean(),
            "standard_deviation": value.std(),
            "median": value.median(),
            "lower_quartile": value.quantile(0.25),
            "upper_quartile": value.quantile(0.75),
            "lowest": value.min(),
            "highest": value.max(),
        }
    ).reset_index()
    table.insert(1, "week", [words[position] for position in table["position"]])
    order = {name: place for place, name in enumerate(_order(visits["protocol"]))}
    return table.sort_values(by=["protocol", "position"], key=lambda s: s.map(order) if s.name == "protocol" else s)


def seen_figure(visits: pd.DataFrame, measure: Measure) -> Figure:
    """Draw the values measured by week and protocol as boxes.

    Parameters
    ----------
    visits : pandas.DataFrame
        As :func:`analysis.cohort.visit_frame` gives it, with at least one value.
    measure : Measure
        The measure.

    Returns
    -------
    Figure
        Its table summarises each protocol and week.
    """
    table = seen_summary(visits)
    names = [name for name in _order(visits["protocol"]) if name in set(table["protocol"])]
    drawn = marks(names)
    words = dict(zip(table["position"], table["week"], strict=True))
    known = visits[visits["value"].notna()].copy()
    known["protocol"] = known["protocol"].astype("str")
    known["position"], _ = _spans(known["week"])
    decimals = shown_decimals(measure)

    def draw(width: Width) -> Drawing:
        import seaborn

        together = len(names) <= MOST_IN_ONE_PANEL and width == "wide"
        groups = [names] if together else [[name] for name in names]
        drawing = new_drawing(width, 3.1 if together else 0.4 + 1.9 * len(groups))
        panels = drawing.subplots(len(groups), 1, sharey=True, sharex=True, squeeze=False)
        for group, axes in zip(groups, panels.flat, strict=True):
            shown = known[known["protocol"].isin(group)]
            seaborn.boxplot(
                shown, x="position", y="value", hue="protocol", hue_order=group, order=sorted(words), ax=axes,
                palette={name: drawn[name].colour for name in group}, fill=False, width=0.72, gap=0.18, linewidth=1.0,
                fliersize=2.0, legend=False,
            )  # fmt: skip
            axes.set_xlabel("")
            axes.set_ylabel(f"{wrap(measure.label, 26)}\n({measure.unit})")
            quiet_grid(axes)
            if not together:
                axes.set_title(wrap(group[0], 44), color=drawn[group[0]].colour)
        last = panels.flat[-1]
        last.set_xlabel("Weeks")
        last.set_xticks(range(len(words)), [words[position] for position in sorted(words)])
        if max(len(word) for word in words.values()) > 4:
            last.tick_params(axis="x", rotation=45)
        if together and len(names) > 1:
            legend_above(drawing, without_markers(drawn, dashes=False), columns=min(len(names), 3))
        return drawing

    return Figure(
        name="seen",
        title=f"{measure.label} as measured",
        caption=(
            f"Values in {measure.unit}: boxes span the middle half of the patients seen, the line inside is the "
            "median, whiskers reach the furthest value within one and a half box heights, points lie beyond. "
            "Within a week the protocols stand in the order in which they are named. "
            "These are the patients who came; the model means further down allow for those who did not."
        ),
        alt=_seen_in_words(table, measure, decimals),
        table=seen_table(table, measure),
        draw=draw,
    )


def seen_table(summary: pd.DataFrame, measure: Measure) -> Table:
    """Show a summary of the values seen by week.

    Parameters
    ----------
    summary : pandas.DataFrame
        As :func:`seen_summary` gives it.
    measure : Measure
        The measure.
    """
    decimals = shown_decimals(measure)
    return Table(
        summary,
        f"{measure.label} ({measure.unit}) of the patients seen, by week.",
        (
            Column("week", "Week", "text"),
            Column("n", "Patients seen", "count"),
            Column("mean", "Mean", "number", decimals),
            Column("standard_deviation", "SD", "number", decimals),
            Column("median", "Median", "number", decimals),
            Column(("lower_quartile", "upper_quartile"), "Quartiles", "interval", decimals),
            Column(("lowest", "highest"), "Range", "interval", decimals),
        ),
        ("SD: standard deviation.",),
        name="seen",
        rows_grouped_by="protocol",
    )


def change_figure(found: Responders, measure: Measure) -> Figure:
    """Draw the share of patients that improved by at least each amount, the thresholds marked.

    Parameters
    ----------
    found : Responders
        A responder analysis.
    measure : Measure
        The measure; its published thresholds are marked too.

    Returns
    -------
    Figure
        Its table gives the shares at the thresholds and at a few amounts between.
    """
    shares = found.distribution.shares
    names = list(found.table["protocol"])
    drawn = marks(names)
    decimals = shown_decimals(measure)
    table = _at_amounts(shares, found, measure)

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
        for value, word in sorted(_marked(found, measure).items()):
            row = (row + 1) % 3 if value - last < near else 0
            last = value
            chosen = value == found.threshold.value
            axes.axvline(value, color=INK if chosen else QUIET, linewidth=1.2 if chosen else 0.8, linestyle="--")
            axes.annotate(
                f"{word} {value:g}", (value, 99 if narrow else 107 - 8 * row), xytext=(3, 0),
                textcoords="offset points", va="top", fontsize=7.5, color=INK if chosen else QUIET,
                rotation=90 if narrow else 0, backgroundcolor=(1, 1, 1, 0.75),
            )  # fmt: skip
        axes.set_xlabel(
            f"Improvement by week {numbers.week(found.week)} ({measure.unit})"
            + ("" if narrow else "; worse is negative")
        )
        axes.set_ylabel("Patients improved\nby at least this much (%)")
        quiet_grid(axes, "both")
        legend_above(drawing, without_markers(drawn), columns=1 if narrow else min(len(names), 3))
        return drawing

    return Figure(
        name="change",
        title="Share of patients improved, at every threshold",
        caption=(
            f"For each amount of improvement in {in_text(measure.label)} by week {numbers.week(found.week)}, the share "
            f"of patients who improved at least that much. A curve further to the right is better. Dashed lines mark "
            f"thresholds. {_denominators(found)}"
        ),
        alt=_change_in_words(found, measure, decimals),
        table=table,
        draw=draw,
    )


def responder_figure(found: Responders) -> Figure:
    """Draw the share of responders of each protocol with its interval.

    Parameters
    ----------
    found : Responders
        A responder analysis.

    Returns
    -------
    Figure
        Its table has a row a protocol.
    """
    table = found.table
    names = list(table["protocol"])
    drawn = marks(names)
    percent = numbers.level_in_words(found.level)

    def draw(width: Width) -> Drawing:
        drawing = new_drawing(width, 0.75 + (0.42 if width == "wide" else 0.5) * len(names))
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
            outside = upper > (74 if width == "wide" else 55)
            axes.annotate(
                f"{numbers.share(row.share)} ({words})", (lower if outside else upper, place),
                xytext=(-6 if outside else 6, 0), textcoords="offset points", ha="right" if outside else "left",
                va="center", fontsize=8, color=mark.colour,
            )  # fmt: skip
        axes.set_yticks(range(len(names)), [wrap(name, 24 if width == "wide" else 14, lines=4) for name in names])
        axes.set_ylim(len(names) - 0.5, -0.6)
        axes.set_xlim(0, 100)
        axes.set_xlabel(
            wrap(f"Patients who reached the threshold by week {numbers.week(found.week)} (%)", _ROOM[width])
        )
        quiet_grid(axes, "x")
        return drawing

    reached = [
        f"{row.protocol} {numbers.share(row.share)} ({numbers.fraction(row.responders, row.n)}, {percent} interval "
        f"{numbers.share_interval(row.lower, row.upper)})"
        for row in table.itertuples()
    ]
    return Figure(
        name="responders",
        title="Responders",
        caption=(
            f"Share of patients who reached the threshold by week {numbers.week(found.week)}, with {percent} intervals "
            f"({table['method'].iloc[0]}). {_denominators(found)}"
        ),
        alt=f"Responders at week {numbers.week(found.week)}: {'; '.join(reached)}.",
        table=responder_table(found),
        draw=draw,
    )


def responder_table(found: Responders) -> Table:
    """Show responders by protocol.

    Parameters
    ----------
    found : Responders
        A responder analysis.
    """
    percent = numbers.level_in_words(found.level)
    return Table(
        found.table,
        f"Responders at week {numbers.week(found.week)} by protocol.",
        (
            Column("protocol", "Protocol"),
            Column("allocated", "Patients", "count"),
            Column(("responders", "n"), "Responders / denominator", "fraction"),
            Column(("share", "lower", "upper"), f"Share ({percent} interval)", "share with interval"),
        ),
        (f"Intervals: {found.table['method'].iloc[0]}.", *found.notes),
        name="responders",
    )


def _spans(weeks: pd.Series) -> tuple[pd.Series, dict[int, str]]:
    """Give each visit the place of its week, or of a span of weeks with about equally many visits, and their names."""
    distinct = sorted(float(week) for week in weeks.unique())
    if len(distinct) <= MOST_WEEKS_SHOWN:
        place = {week: position for position, week in enumerate(distinct)}
        return weeks.astype(float).map(place), {position: numbers.week(week) for week, position in place.items()}
    edges = np.unique(np.quantile(weeks.to_numpy(dtype=float), np.linspace(0, 1, 9)))
    position = np.clip(np.searchsorted(edges, weeks.to_numpy(dtype=float), side="right") - 1, 0, len(edges) - 2)
    exact = weeks.to_numpy(dtype=float)
    words = {
        int(span): f"{numbers.week(exact[position == span].min())} to {numbers.week(exact[position == span].max())}"
        for span in np.unique(position)
    }
    return pd.Series(position, index=weeks.index), words


def _order(protocol: pd.Series) -> list[str]:
    return [str(name) for name in protocol.astype("category").cat.categories]


def _marked(found: Responders, measure: Measure) -> dict[float, str]:
    """Thresholds to mark: the one used, and the smallest published MDC and MIC."""
    short = {"minimal important change": "MIC", "minimal detectable change": "MDC"}
    known = {found.threshold.value: short.get(found.threshold.name, "threshold")}
    for kind in ("MIC", "MDC"):
        values = [one.value for one in measure.thresholds if one.kind == kind and one.accepted]
        if values and min(values) not in known:
            known[min(values)] = kind
    return known


def _at_amounts(shares: pd.DataFrame, found: Responders, measure: Measure) -> Table:
    """Tabulate the curve at its thresholds and at the tenths of the improvements seen."""
    amounts = sorted(float(value) for value in shares["threshold"].unique())
    picked = set(np.asarray(amounts)[np.linspace(0, len(amounts) - 1, min(len(amounts), 9)).round().astype(int)])
    near = (
        {min(amounts, key=lambda amount: abs(amount - value)) for value in _marked(found, measure)}
        if amounts
        else set()
    )
    table = shares[shares["threshold"].isin(picked | near)]
    percent = numbers.level_in_words(found.level)
    return Table(
        table,
        f"Share of patients improved by at least each amount ({measure.unit}) by week {numbers.week(found.week)}; "
        "a selection of the amounts drawn.",
        (
            Column("threshold", "Improvement", "signed", shown_decimals(measure)),
            Column(("responders", "n"), "Improved / denominator", "fraction"),
            Column(("share", "lower", "upper"), f"Share ({percent} interval)", "share with interval"),
        ),
        found.distribution.notes,
        name="change",
        rows_grouped_by="protocol",
    )


def _denominators(found: Responders) -> str:
    parts = [
        f"{row.protocol} {numbers.count(row.n)} of {numbers.count(row.allocated)}" for row in found.table.itertuples()
    ]
    rule = "patients seen" if found.missing == "excluded" else "every patient, those not seen counted as not improved"
    return f"Denominators ({rule}): {'; '.join(parts)}."


def _change_in_words(found: Responders, measure: Measure, decimals: int) -> str:
    chosen = found.threshold
    parts = []
    for row in found.table.itertuples():
        improvement = found.patients.loc[found.patients["protocol"] == row.protocol, "improvement"].dropna()
        middle = numbers.number(improvement.median() if len(improvement) else None, decimals)
        parts.append(
            f"{row.protocol} {numbers.share(row.share)} of {numbers.count(row.n)}, median improvement {middle}"
        )
    return (
        f"Curves of the share of patients improved by at least each amount by week {numbers.week(found.week)}. At the "
        f"threshold of {chosen.value:g} {measure.unit}: {'; '.join(parts)}."
    )


def _seen_in_words(table: pd.DataFrame, measure: Measure, decimals: int) -> str:
    parts = []
    for name, one in table.groupby("protocol", sort=False):
        first, last = one.iloc[0], one.iloc[-1]
        parts.append(
            f"{name} from {numbers.number(first['median'], decimals)} at week {first['week']} ({first['n']} patients) "
            f"to {numbers.number(last['median'], decimals)} at week {last['week']} ({last['n']})"
        )
    return f"Boxes of {in_text(measure.label)} by week. Median in {measure.unit}: {'; '.join(parts)}."
