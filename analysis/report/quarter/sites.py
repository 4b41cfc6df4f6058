"""The sites: a funnel about the whole, and observed against expected; by name, never ranked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.report.figures.funnel_figure import case_mix_figure, funnel_figure
from analysis.report.parts.indicator_numbers import HIDDEN_NOTE, text_columns, with_text
from analysis.report.parts.passages import Section, absent
from analysis.report.parts.tables import Column, Table
from analysis.report.quarter.findings.site_words import (
    case_mix_caption,
    case_mix_title,
    case_mix_words,
    funnel_caption,
    funnel_title,
    funnel_words,
)

if TYPE_CHECKING:
    from analysis.quarter import Indicator
    from analysis.report.quarter.study import QuarterStudy


def sites(study: QuarterStudy) -> Section:
    """Show the sites about the whole."""
    if study.compared is None or (study.funnel is None and len(study.released.sites) < 2):
        return Section((absent(study.no_funnel),))
    if study.funnel is None:
        return Section((absent(study.no_funnel), _plain_table(study, study.compared)))
    found = study.released.by_site(study.compared)
    figure = funnel_figure(
        study.funnel, found, study.compared, span=study.span, caption=funnel_caption(study.found),
        told=funnel_words(study.found), message=funnel_title(study.found),
    )  # fmt: skip
    return Section((figure,))


def case_mix(study: QuarterStudy) -> Section:
    """Show the sites after adjustment for the case mix of their patients."""
    if study.case_mix is None or study.compared is None:
        return Section((absent(study.no_case_mix),))
    figure = case_mix_figure(
        study.case_mix, study.compared, span=study.span, caption=case_mix_caption(study.found),
        told=case_mix_words(study.found), message=case_mix_title(study.found),
    )  # fmt: skip
    return Section((figure,))


def _plain_table(study: QuarterStudy, compared: Indicator) -> Table:
    rows = with_text(study.released.by_site(compared), compared)
    columns = (Column("site", "Site"), *text_columns(compared))
    notes = (HIDDEN_NOTE,) if rows["hidden"].any() else ()
    return Table(rows, f"{compared.label}, by site, {study.span}.", columns, notes, "sites")
