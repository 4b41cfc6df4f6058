"""The sites over time: blocks of quarters of each, by name, against the line of all; nothing is tested there."""

from __future__ import annotations

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
    from analysis.report.quarter.findings.over_blocks import OverBlocks
    from analysis.report.quarter.study import QuarterStudy


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
    return Section((words, over_blocks_figure(found, caption=over_blocks_caption(found), told=over_blocks_told(found))))


def blocks_of(study: QuarterStudy) -> OverBlocks | None:
    """Give the main outcome of the sites over blocks and the window; None where there is one site, or no outcome that is a share."""
    if study.compared is None or len(study.released.sites) < 2:
        return None
    size = max(1, int(study.parameters["site_quarters"]))
    return over_blocks(study.released, study.compared, size=size, level=study.level)
