"""The charts over time: outcomes, and the measures that must not get worse meanwhile."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.quarter.released_counts import BASELINE
from analysis.report.figures.quarters.control_chart_figure import control_chart_figure
from analysis.report.figures.quarters.curves_by_quarter_figure import curves_by_quarter_figure
from analysis.report.parts.indicator_numbers import HIDDEN_NOTE, with_text
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.parts.tables import Column, Table
from analysis.report.quarter.findings.curve_words import curves_caption, curves_title, curves_told
from analysis.report.quarter.findings.target_words import target_clause
from analysis.report.quarter.findings.words import chart_words, has_changed, title_words

if TYPE_CHECKING:
    from analysis.quarter import Indicator
    from analysis.report.parts.passages import Item
    from analysis.report.quarter.study import QuarterStudy

#: Slides for charts: of twelve title, summary, answer, curves, funnel, completeness, actions and cautions take eight; the case
#: mix takes one more, where there is one.
MOST_SLIDES = 4


def outcomes(study: QuarterStudy) -> Section:
    """Show each outcome over time."""
    return _charts(study, study.indicators("outcome"), "outcomes.")


def recovery(study: QuarterStudy) -> Section:
    """Show the recovery curves of patients by group of quarters; nothing for aggregates, which hold no patient."""
    if study.curves is None:
        return Section((absent(study.no_curves),) if study.no_curves else ())
    figure = curves_by_quarter_figure(
        study.curves, caption=curves_caption(study.curves), told=curves_told(study.curves),
        message=curves_title(study.curves),
    )  # fmt: skip
    return Section((figure,))


def process(study: QuarterStudy) -> Section:
    """Show what is followed of the process over time; nothing where that is completeness alone, which stands in its table."""
    followed = study.indicators("process")
    return _charts(study, followed, "") if followed else Section(())


def balancing(study: QuarterStudy) -> Section:
    """Show adherence, harms and other balancing measures over time."""
    return _charts(study, study.indicators("balancing"), "home sessions and events. Nothing can be said about either.")


def harms(study: QuarterStudy) -> Section:
    """Show the harms of the quarter by kind, and how many were serious or held to be related to the programme."""
    details = study.released.details
    if not study.indicators("balancing") or not details:
        return Section(())
    released = study.released
    rows, hidden = [], False
    for one in details:
        found = released.of(one, [released.quarter, BASELINE])
        text = with_text(found, one)
        now, before = text.iloc[0], text.iloc[1]
        hidden |= bool(found["hidden"].any())
        rows.append(
            (one.label, now["numerator_text"], now["denominator_text"], now["value_text"], before["value_text"])
        )
    table = Table(
        pd.DataFrame(rows, columns=["label", "numerator", "denominator", "value", "baseline"]),
        f"Harms within six weeks of the start, by kind, {study.quarter_words}.",
        (
            Column("label", "Harm"),
            Column("numerator", "Harms", "right", group=study.quarter_words),
            Column("denominator", "Patients followed", "right", group=study.quarter_words),
            Column("value", "Rate", "right", group=study.quarter_words),
            Column("baseline", "Baseline", "right"),
        ),
        (
            "Kinds add up to all harms; serious and related ones are among them, as far as that was recorded.",
            *([HIDDEN_NOTE] if hidden else []),
        ),
        name="harms",
    )
    return Section((table,))


def _charts(study: QuarterStudy, found: list[Indicator], nothing: str) -> Section:
    if not found:
        return Section((absent(nothing),))
    items: list[Item] = []
    for one in found:
        chart = study.charts[one.name]
        if chart.chart is None:
            items.append(Passage((f"{one.label}: {chart.why}",), "absent"))
            continue
        followed = study.found.of(one.name)
        message = title_words(study.found, followed) if one.name in _on_slides(study) else ""
        aimed = target_clause(followed)
        told = " ".join([chart_words(study.found, followed), *([f"{aimed[:1].upper()}{aimed[1:]}."] if aimed else [])])
        signal = (followed.change.since, study.released.quarter) if has_changed(followed) else None
        items.append(control_chart_figure(chart, changes=study.annotations, message=message, told=told, signal=signal))
    return Section(tuple(items))


def _on_slides(study: QuarterStudy) -> list[str]:
    """Choose the charts that become slides: the first outcome, then balancing measures, then other outcomes, then the process."""
    drawn = [one for one in study.indicators() if study.charts[one.name].chart is not None]
    outcome = [one.name for one in drawn if one.role == "outcome"]
    weighed = [one.name for one in drawn if one.role == "balancing"]
    seen_to = [one.name for one in drawn if one.role == "process"]
    room = MOST_SLIDES - (study.case_mix is not None)
    return [*outcome[:1], *weighed, *outcome[1:], *seen_to][:room]
