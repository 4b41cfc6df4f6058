"""The summary that stands first: a row an indicator with its value, target, last quarters, verdict, and what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.report.figures.quarters.control_chart_figure import CHANGE, SIGNAL
from analysis.report.figures.quarters.small_line import LAST_MONTHS, LAST_QUARTERS, last_values, small_line
from analysis.report.figures.quarters.summary_picture import MOST_ROWS, SummaryRow, summary_picture
from analysis.report.parts import numbers
from analysis.report.parts.look import INK
from analysis.report.parts.passages import Section, absent
from analysis.report.parts.tables import Column, Table
from analysis.report.quarter.actions import told_actions
from analysis.report.quarter.findings.board_words import (
    SUMMARY_NOTES,
    aim_plain,
    row_name,
    sites_row,
    summary_words,
    to_do,
    value_and_counts,
    verdict_plain,
)
from analysis.report.quarter.findings.words import has_changed

if TYPE_CHECKING:
    from analysis.report.quarter.findings.finding import Followed
    from analysis.report.quarter.study import QuarterStudy

_ROLES = ("outcome", "balancing", "process")


def summary(study: QuarterStudy) -> Section:
    """Show every indicator in a row: value, counts, target, a small line of the last year, verdict, and what to do."""
    found = study.found
    followed = [one for role in _ROLES for one in found.beside_completeness if one.indicator.role == role]
    followed += found.completeness
    if not followed:
        return Section((absent("outcomes."),))
    actions = told_actions(study)
    rows = []
    for one in followed:
        name = one.indicator.name
        value, counts = value_and_counts(one)
        rows.append(
            SummaryRow(
                row_name(one), value, counts, aim_plain(one), verdict_plain(found, one),
                to_do(found, one, actions.about(name)), study.charts[name], has_changed(one), _colour(one),
            )
        )  # fmt: skip
    of_sites = sites_row(found, [one for one in actions.opened() if one.site and one.indicator == found.main])
    if of_sites is not None:
        name, value, counts, verdict, what = of_sites
        colour = SIGNAL if found.sites is not None and found.sites.signals else INK
        rows.append(SummaryRow(name, value, counts, numbers.MISSING, verdict, what, None, colour=colour))
    line = f"Last {LAST_QUARTERS} quarters" if "Q" in study.released.periods[0] else f"Last {LAST_MONTHS} months"
    columns = (
        Column("name", "Indicator"),
        Column("verdict", "Verdict"),
        Column("value", study.quarter_words, "right"),
        Column("counts", "Counted", "right"),
        Column("aim", "Target"),
        Column("line", line),
        Column("to_do", "What to do"),
    )
    data = pd.DataFrame(
        [(one.name, one.verdict, one.value, one.counts, one.aim, _last(one), one.to_do) for one in rows],
        columns=[str(column.name) for column in columns],
    )  # fmt: skip
    kept = [*_on_slide(study, followed), *range(len(followed), len(rows))]
    labels = {str(column.name): column.label for column in columns}
    heads = [labels[name] for name in ("name", "value", "aim", "line", "verdict", "to_do")]  # as they are drawn
    table = Table(
        data,
        f"Summary of {study.quarter_words}.",
        columns,
        SUMMARY_NOTES,
        name="summary",
        message=summary_words(found),
        pictures={line: tuple(small_line(one.chart, signal=one.signal) if one.chart else b"" for one in rows)},
        slide=summary_picture([rows[i] for i in kept], heads, more=len(rows) - len(kept)),
    )
    return Section((table,))


def _last(one: SummaryRow) -> str:
    return ", ".join(last_values(one.chart)) if one.chart else numbers.MISSING


def _colour(one: Followed) -> str:
    if not has_changed(one):
        return INK
    return {"worse": SIGNAL, "better": CHANGE}.get(one.change.direction, INK)


def _on_slide(study: QuarterStudy, followed: list[Followed]) -> list[int]:
    """Choose the rows that a slide holds, in order: what changed first, then the main outcome, then the others.

    Completeness has a slide of its own; here it stands only where it changed or misses its floor.
    """

    def weight(i: int) -> tuple[bool, bool, bool, int]:
        one = followed[i]
        aimed = not numbers.is_missing(one.indicator.target)
        return not has_changed(one), one.indicator.name != study.found.main, not aimed, i

    wanted = [
        i
        for i, one in enumerate(followed)
        if not one.indicator.is_completeness or has_changed(one) or one.floor_reached is False
    ]
    return sorted(sorted(wanted or range(len(followed)), key=weight)[:MOST_ROWS])
