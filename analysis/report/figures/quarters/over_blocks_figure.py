"""The figure of sites over blocks of quarters: a panel a site, by name, each against the line of all of them."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D

from analysis.report.parts.axes import key_above, panel_grid, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.indicator_numbers import HIDDEN_NOTE, axis_label, text_columns, with_text
from analysis.report.parts.look import INK, QUIET, quiet_grid
from analysis.report.parts.numbers import MISSING, is_missing, level_in_words, share_interval
from analysis.report.parts.tables import Column, Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawing

    from analysis.report.parts.look import Width
    from analysis.report.quarter.findings.over_blocks import OverBlocks

SITE = "#0067a3"
_MOST_BESIDE = 4
#: Letters of the name of a span on a line, where panels stand beside each other and where there is one.
_BESIDE, _ALONE = 8, 18


def over_blocks_figure(
    found: OverBlocks, *, caption: str, told: str, site: str = "", whole: str = "all sites", height: float = 1.5
) -> Figure:
    """Draw every site of which a value can be shown over its blocks, or one of them alone.

    ``caption`` and ``told`` say what is drawn and what it shows, from the findings; ``site`` is the one that is drawn alone,
    ``whole`` the name of the line, ``height`` inches of a row of panels. The table has a row a site and span, of one site with
    the whole beside it.
    """
    names = (site,) if site else found.drawn
    shown = found.rows[found.rows["site"].isin(["", *names]) & found.rows["value"].notna()]
    low, high = 100 * float(shown["lower"].min()), 100 * float(shown["upper"].max())
    room = 0.12 * (high - low) + 1

    def draw(width: Width) -> Drawing:
        drawing, panels = panel_grid(
            len(names), width, height=height, above=0.6, most=_MOST_BESIDE, sharex=False, sharey=True
        )
        for number, (name, axes) in enumerate(zip(names, panels.flat, strict=False)):
            _panel(axes, found, name, letters=_ALONE if site else _BESIDE)
            axes.set_ylim(max(low - room, -2.0), min(high + room, 102.0))
            axes.set_title("" if site else wrap(name, 24, lines=1), fontsize=8)
            if number % panels.shape[1] == 0:
                axes.set_ylabel(axis_label(found.indicator), fontsize=7.5)
            if number + panels.shape[1] >= len(names):
                axes.set_xlabel("Quarters of start", fontsize=7.5)
        key_above(drawing, _key(found, whole), width)
        return drawing

    return Figure(
        name="sites-over-time",
        title=f"{found.indicator.title} {'over time' if site else 'by site over time'}",
        caption=caption,
        alt=told,
        table=_table(found, site, whole),
        draw=draw,
    )


def _panel(axes: Axes, found: OverBlocks, name: str, *, letters: int) -> None:
    """Draw the values of a site with their intervals, the line of all sites, and which values are hidden."""
    whole, rows = found.of(""), found.of(name)
    x = np.arange(len(found.spans))
    line = whole["value"].to_numpy(dtype=float) * 100
    for at in x:
        axes.plot([at - 0.42, at + 0.42], [line[at]] * 2, color=INK, linewidth=1.0, zorder=2)
    for row in rows.to_dict("records"):
        at, window = row["span"], row["span"] >= found.blocks
        if is_missing(row["value"]):
            axes.annotate(
                "hidden" if row["hidden"] else "nobody", xy=(at, 0.04), xycoords=axes.get_xaxis_transform(), rotation=90,
                ha="center", va="bottom", fontsize=7, color=QUIET,
            )  # fmt: skip
            continue
        axes.vlines(at, 100 * row["lower"], 100 * row["upper"], color=SITE, linewidth=1.3, zorder=3)
        face = "white" if window else SITE
        axes.plot([at], [100 * row["value"]], "o", color=SITE, markerfacecolor=face, markersize=4.5, zorder=4)
    axes.set_xlim(-0.6, len(x) - 0.4)
    axes.set_xticks(x, ["\n".join(textwrap.wrap(one, letters)) for one in found.spans], fontsize=6.5, linespacing=1.0)
    axes.tick_params(axis="y", labelsize=7)
    quiet_grid(axes)


def _key(found: OverBlocks, whole: str) -> list[Line2D]:
    """Say what marks and line are."""
    level = level_in_words(found.level)
    key = []
    if found.blocks:
        key.append(
            Line2D([], [], color=SITE, marker="o", markersize=4.5, linewidth=1.3, label=f"block, {level} interval")
        )
    if len(found.spans) > found.blocks:
        label = f"{found.spans[-1]}, {level} interval"
        key.append(
            Line2D([], [], color=SITE, marker="o", markerfacecolor="white", markersize=4.5, linewidth=1.3, label=label)
        )
    return [*key, Line2D([], [], color=INK, linewidth=1.0, label=whole)]


def _table(found: OverBlocks, site: str, whole: str) -> Table:
    """Show every value, by site and span; those hidden without numbers."""
    names = ["", *([site] if site else found.sites)]
    rows = with_text(found.rows[found.rows["site"].isin(names)], found.indicator)
    rows = rows.assign(
        order=[names.index(one) for one in rows["site"]],
        name=[one or f"{whole[:1].upper()}{whole[1:]}" for one in rows["site"]],
        span_text=[found.spans[one] for one in rows["span"]],
        interval=[
            MISSING if is_missing(low) else share_interval(low, high)
            for low, high in zip(rows["lower"], rows["upper"], strict=True)
        ],
    ).sort_values(["order", "span"], kind="stable")
    columns = (
        Column("name", "Site"),
        Column("span_text", "Quarters"),
        *text_columns(found.indicator),
        Column("interval", f"{level_in_words(found.level)} interval", "right"),
    )
    notes = ("Intervals: of shares by Wilson.", *((HIDDEN_NOTE,) if rows["hidden"].any() else ()))
    where = "of the site and of all sites" if site else "by site"
    return Table(rows, f"{found.indicator.label}, {where}, over blocks of quarters.", columns, notes, "sites-over-time")
