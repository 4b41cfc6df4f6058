"""Figures of the home programme, of harms and of missing visits."""

import numpy as np
import pandas as pd
from matplotlib.colors import Colormap
from matplotlib.figure import Figure as Drawing

from analysis.cohort.measures import Measure
from analysis.outcomes.home_programme.events import OTHER, SERIOUS, EventsByProtocol
from analysis.outcomes.home_programme.prescribed_modalities import IN_WORDS
from analysis.outcomes.home_programme.sessions_done import AdherenceByWeek
from analysis.outcomes.missing.missing_by_week import MissingByWeek
from analysis.report.parts import numbers
from analysis.report.parts.axes import axes_inches, legend_above, panel_grid, week_axis, wrap
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
from analysis.report.parts.numbers import in_text
from analysis.report.parts.tables import Column, Table, level_of

#: Cells with a larger share are so dark that a number stands out more in white than in ink.
_DARK = 0.6


def adherence_figure(found: AdherenceByWeek) -> Figure:
    """Draw the share of prescribed sessions that was done, by week, modality and protocol.

    Some sessions are recorded; the table has a row a protocol, modality and week.
    """
    table = found.table[found.table["recorded"] > found.table["none_prescribed"]]
    names = list(dict.fromkeys(table["protocol"]))
    modalities = list(dict.fromkeys(table["modality"]))
    drawn = marks(names)

    def draw(width: Width) -> Drawing:
        drawing, panels = panel_grid(len(modalities), width, above=0.7, height=2.2, sharey=True)
        for modality, axes in zip(modalities, panels.flat, strict=False):
            own = table[table["modality"] == modality]
            for name in names:
                one = own[own["protocol"] == name]
                if one.empty:
                    continue
                mark = drawn[name]
                axes.plot(one["week"], one["share_of_sessions"] * 100, color=mark.colour, linestyle=mark.dash)
            axes.axhline(100 * found.enough, color=QUIET, linewidth=0.9, linestyle=":")
            week_axis(axes, _even_weeks(own["week"]), inches=axes_inches(width, columns=panels.shape[1]))
            axes.set_ylim(0, max(102.0, 104 * float(own["share_of_sessions"].max(skipna=True))))
            axes.set_title(wrap(modality, 30))
            quiet_grid(axes)
        for axes in panels[:, 0]:
            axes.set_ylabel("Sessions done of\nthose prescribed (%)")
        legend_above(drawing, without_markers(drawn), width)
        return drawing

    return Figure(
        name="adherence",
        title="Home adherence by week",
        caption=(
            "Sessions done as a share of the sessions prescribed, summed over the patients with an entry. The dotted "
            f"line is {numbers.share(found.enough)}. Adherence follows recovery as well as leading to it: patients "
            "who feel well stop, and pain stops others, so these curves do not say what more sessions would have done."
        ),
        alt=_adherence_in_words(found.overall),
        table=Table(
            table.assign(group=table["modality"] + ", " + table["protocol"]),
            "Sessions done of those prescribed, by week.",
            (
                Column("week", "Week", "week"),
                Column("n", "Patients", "count"),
                Column(("sessions_done", "sessions_prescribed"), "Sessions done / prescribed", "fraction"),
                Column("share_of_sessions", "Share of sessions", "share"),
                Column(("lower_quartile", "upper_quartile"), "Quartiles of patients", "shares"),
                Column(("reached", "n"), f"Patients at {numbers.share(found.enough)} or more", "fraction"),
            ),
            found.notes,
            name="adherence-by-week",
            rows_grouped_by="group",
        ),
        draw=draw,
        message=f"Home sessions done: {numbers.share_range(found.overall['share_of_sessions'].tolist())} of those prescribed",
    )


def harm_figure(found: EventsByProtocol, *, told: str = "", message: str = "") -> Figure:
    """Draw the share of patients with a serious harm on record, and with another one, by protocol.

    Parameters
    ----------
    found : EventsByProtocol
        Events, recorded.
    told : str
        What it shows, in a sentence that stands after what is drawn; empty for none.
    message : str
        What a slide says above it; empty for none.

    Returns
    -------
    Figure
        Its table has a row a protocol and severity.
    """
    table = found.table[found.table["event"].isin([SERIOUS, OTHER])]
    names = list(dict.fromkeys(table["protocol"].astype(str)))
    drawn, percent = marks(names), level_of(table)

    def draw(width: Width) -> Drawing:
        drawing, panels = panel_grid(2, width, height=0.6 + 0.3 * len(names), sharex=True, sharey=True)
        for kind, axes in zip((SERIOUS, OTHER), panels.flat, strict=False):
            own = table[table["event"] == kind]
            for place, row in enumerate(own.itertuples()):
                mark = drawn[str(row.protocol)]
                limits = [100 * float(row.lower), 100 * float(row.upper)]  # type: ignore[arg-type]
                axes.plot(limits, [place, place], color=mark.colour, linewidth=1.6)
                axes.plot([100 * float(row.share)], [place], mark.marker, color=mark.colour, markersize=5.5)  # type: ignore[arg-type]
            axes.set_title(kind.capitalize())
            axes.set_xlim(0.0, 105 * float(table["upper"].max()))
            axes.set_ylim(len(names) - 0.4, -0.6)
            axes.set_yticks(range(len(names)), [wrap(name, 24 if width == "wide" else 16, lines=2) for name in names])
            quiet_grid(axes, "x")
        for axes in panels[-1]:
            axes.set_xlabel("Patients (%)")
        return drawing

    return Figure(
        name="harms-drawn",
        title="Patients with a serious harm, and with another one",
        caption=(
            f"Share of the patients of each protocol with a harm on record, serious ones apart, with {percent} intervals "
            f"({table['method'].iloc[0]})."
        ),
        alt=" ".join(
            filter(
                None,
                (
                    f"Shares of patients with a serious harm and with another one, {numbers.plural(len(names), 'protocol')}.",
                    told,
                ),
            )
        ),
        table=Table(
            table,
            "Patients with a serious harm on record, and with another one, by protocol.",
            (
                Column("protocol", "Protocol"),
                Column(("patients", "allocated"), "Patients with it", "fraction"),
                Column("share", f"Share ({percent} interval)", "share with interval", 1),
            ),
            name="harms-drawn",
            rows_grouped_by="event",
        ),
        draw=draw,
        message=message,
    )


def missing_figure(found: MissingByWeek, measure: Measure, *, told: str = "", message: str = "") -> Figure:
    """Draw the share of expected visits that were missed as a table of shades, by protocol and week.

    Some visits are expected; the table has a row a protocol and week. ``told`` says what it shows, after what is drawn, and
    ``message`` is what a slide says above it.
    """
    table = found.table
    names = list(dict.fromkeys(table["protocol"]))
    weeks = sorted(table["week"].unique())
    grid = table.pivot_table(index="protocol", columns="week", values="share", sort=False).reindex(names)[weeks]
    counts = table.pivot_table(index="protocol", columns="week", values="missing", sort=False).reindex(names)[weeks]
    cells = (grid, counts)
    expected = dict(zip(table["protocol"], table["expected"], strict=True))

    def heads(row_height: float) -> list[str]:
        known = [wrap(name, 20, lines=2) if row_height > LOW_ROW else wrap(name, 28, lines=1) for name in names]
        return [f"{name}\nof {numbers.count(expected[key])}" for name, key in zip(known, names, strict=True)]

    def draw(width: Width, row_height: float) -> Drawing:
        narrow = width == "narrow"
        # On a phone the weeks run downwards, so that every cell keeps its size.
        shares, missing = (table.to_numpy(dtype=float).T if narrow else table.to_numpy(dtype=float) for table in cells)
        across = (
            [wrap(name, 12, lines=4) for name in names] if narrow else [numbers.week_or_day(week) for week in weeks]
        )
        down = [f"{numbers.moment(week)}" for week in weeks] if narrow else heads(row_height)
        drawing = new_drawing(width, (0.8 if not narrow else 1.2) + row_height * len(down))
        axes = drawing.add_subplot()
        axes.imshow(shares, cmap=_shades(), vmin=0, vmax=1, aspect="auto")
        for row in range(len(down)):
            for column in range(len(across)):
                words = f"{numbers.share(shares[row, column])}\n({numbers.count(missing[row, column])})"
                colour = PAPER if shares[row, column] > _DARK else INK
                axes.text(column, row, words, ha="center", va="center", fontsize=7.5, color=colour, linespacing=1.1)
        axes.set_xticks(range(len(across)), across)
        axes.set_yticks(range(len(down)), down)
        axes.tick_params(length=0)
        axes.xaxis.set_ticks_position("top")
        if not narrow:
            axes.xaxis.set_label_position("top")
            axes.set_xlabel("Week")
        axes.spines[:].set_visible(False)
        axes.set_xticks(np.arange(len(across) + 1) - 0.5, minor=True)
        axes.set_yticks(np.arange(len(down) + 1) - 0.5, minor=True)
        axes.grid(which="minor", color=PAPER, linewidth=2)
        axes.tick_params(which="minor", length=0)
        return drawing

    return Figure(
        name="missing",
        title=f"Missing values of {in_text(measure.label)}",
        caption=(
            "Share of the expected values that are missing, with their number; darker is more. Every patient of a "
            "protocol is expected at every week, those who withdrew included."
        ),
        alt=" ".join(filter(None, ("Table of shades of missing values by protocol and week.", told))),
        table=Table(
            table,
            f"Missing values of {in_text(measure.label)} by protocol and week.",
            (
                Column("week", "Week", "week"),
                Column("expected", "Expected", "count"),
                Column("seen", "Seen", "count"),
                Column(("missing", "expected"), "Missing", "fraction with share"),
                Column("missed_seen_later", "Missed, seen later", "count"),
                Column("not_seen_again", "Not seen again", "count"),
            ),
            found.notes,
            name="missing",
            rows_grouped_by="protocol",
        ),
        draw=lambda width: draw(width, 0.42),
        draw_for_slide=(lambda: draw("wide", LOW_ROW)) if len(names) > MOST_HIGH_ROWS else None,
        message=message,
    )


def _shades() -> Colormap:
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("missing", ["#f4f7f8", "#a9c3d0", "#3f7b96", "#123f55"])


def _even_weeks(weeks: pd.Series) -> list[float]:
    distinct = sorted(float(week) for week in weeks.unique())
    if len(distinct) < 9:
        return distinct
    step = int(np.ceil((distinct[-1] - distinct[0]) / 6 / 2) * 2)
    return [distinct[0], *(week for week in distinct[1:-1] if week % step == 0), distinct[-1]]


def _adherence_in_words(overall: pd.DataFrame) -> str:
    parts = [
        f"{row.protocol}, {row.modality}: "
        + (
            f"{numbers.share(row.share_of_sessions)} of {numbers.count(row.sessions_prescribed)} sessions in "
            f"{numbers.plural(row.n, 'patient')}"
            if row.n
            else IN_WORDS.get(str(row.prescribed), "not known")
        )
        for row in overall.itertuples()
    ]
    return f"Lines of sessions done of those prescribed by week. Over the whole programme: {'; '.join(parts)}."
