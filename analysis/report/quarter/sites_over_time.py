"""The sites over time: blocks of quarters of each, by name, against the line of all; nothing is tested there."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.report.figures.quarters.over_blocks_figure import over_blocks_figure
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.quarter.findings.over_blocks import (
    over_blocks,
    over_blocks_caption,
    over_blocks_told,
    over_blocks_words,
)

if TYPE_CHECKING:
    from analysis.report.parts.figures import Figure
    from analysis.report.quarter.findings.over_blocks import OverBlocks
    from analysis.report.quarter.study import QuarterStudy


#: Panels that can be read on a page: six rows of four.
MOST_PANELS = 24


def sites_over_time(study: QuarterStudy) -> Section:
    """Show each site over blocks of quarters; nothing where there is one site, or no outcome that is a share."""
    found = blocks_of(study)
    if found is None:
        return Section(())
    if not found.blocks:
        why = f"a block of {study.parameters['site_quarters']} quarters that is over"
        return Section((absent(f"{why} and shares none with those compared. Sites are not shown over time."),))
    words = Passage((" ".join(over_blocks_words(found)),))
    if not found.drawn:
        return Section((words,))
    return Section((words, *_figures(found)))


def _figures(found: OverBlocks) -> list[Figure]:
    """Draw the sites by name, as many on a figure as a page holds; each figure has the table of its sites."""
    drawn = found.drawn
    parts = [drawn[start : start + MOST_PANELS] for start in range(0, len(drawn), MOST_PANELS)]
    figures = []
    for number, names in enumerate(parts, start=1):
        rest = [one for one in found.sites if one not in drawn] if number == len(parts) else []
        sites = tuple(one for one in found.sites if one in names or one in rest)
        part = replace(found, sites=sites, rows=found.rows[found.rows["site"].isin(["", *sites])])
        caption, told = over_blocks_caption(found), over_blocks_told(part)
        if len(parts) == 1:
            return [over_blocks_figure(part, caption=caption, told=told)]
        made = over_blocks_figure(part, caption=caption, told=f"{names[0]} to {names[-1]}. {told}")
        name, which = f"{made.name}-{number}", f", part {number} of {len(parts)}"
        table = replace(made.table, name=name, caption=f"{made.table.caption.rstrip('.')}{which}.")
        figures.append(replace(made, name=name, title=f"{made.title}{which}", table=table))
    return figures


def blocks_of(study: QuarterStudy) -> OverBlocks | None:
    """Give the main outcome of the sites over blocks and the window; None where there is one site, or no outcome that is a share."""
    if study.compared is None or len(study.released.sites) < 2:
        return None
    size = max(1, int(study.parameters["site_quarters"]))
    return over_blocks(study.released, study.compared, size=size, level=study.level)
