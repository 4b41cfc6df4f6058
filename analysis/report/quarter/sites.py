"""The sites: a funnel about the whole, and observed against expected; by name, never ranked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.report.figures.quarters.funnel_figure import case_mix_figure, funnel_figure
from analysis.report.parts import numbers
from analysis.report.parts.indicator_numbers import HIDDEN_NOTE, text_columns, with_text
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.parts.tables import Column, Table
from analysis.report.quarter.findings.other_sites_words import other_sites_words, whole_words
from analysis.report.quarter.findings.site_words import (
    case_mix_caption,
    case_mix_title,
    case_mix_words,
    funnel_caption,
    funnel_title,
    funnel_words,
)
from analysis.report.quarter.findings.words import WORTH_A_LOOK, name_words

if TYPE_CHECKING:
    from analysis.quarter import Indicator
    from analysis.report.parts.passages import Item
    from analysis.report.quarter.findings.finding import QuarterFindings, Site
    from analysis.report.quarter.study import QuarterStudy

#: More sites than this of which nothing is shown are not listed one by one.
_MOST_WITHOUT = 10


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


def sites_by_indicator(study: QuarterStudy) -> Section:
    """Show the sites about the whole by every share and rate but the main one; nothing where there is one site."""
    found = study.found
    if not found.other_sites:
        return Section(())
    rows = [_summary(found, name) for name in found.other_sites]
    table = Table(
        pd.DataFrame(rows),
        f"Sites by every other share and rate, {study.span}.",
        (
            Column("label", "Indicator"),
            Column("whole", "Whole", "right"),
            Column("judged", "Sites judged", "count"),
            Column("hidden", "Hidden", "count"),
            Column("signals", "Signals"),
            Column("beyond", "Beyond the 99.8 % limits"),
            Column("near", "Beyond the 95 % limits only"),
            Column("widened", "Limits widened"),
        ),
        (f"Sites stand by name. A site beyond a limit without a signal is {WORTH_A_LOOK}.",),
        name="sites-by-indicator",
    )
    items: list[Item] = [Passage((" ".join(other_sites_words(found)),)), table]
    for one in study.released.indicators:
        about = study.other_funnels.get(one.name)
        if about is not None:
            told = found.about(one.name)
            items.append(
                funnel_figure(
                    about, study.released.by_site(one), one, span=study.span, caption=funnel_caption(told),
                    told=funnel_words(told), name=f"funnel-{one.name}".replace(" ", "-"),
                    title=name_words(found.of(one.name)),
                )
            )  # fmt: skip
    return Section(tuple(items))


def case_mix(study: QuarterStudy) -> Section:
    """Show the sites after adjustment for the case mix of their patients."""
    if study.case_mix is None or study.compared is None:
        return Section((absent(study.no_case_mix),))
    figure = case_mix_figure(
        study.case_mix, study.compared, span=study.span, caption=case_mix_caption(study.found),
        told=case_mix_words(study.found), message=case_mix_title(study.found),
    )  # fmt: skip
    return Section((figure,))


def _summary(found: QuarterFindings, name: str) -> dict[str, object]:
    sites = found.other_sites[name]
    return {
        "label": name_words(found.of(name)),
        "whole": whole_words(found, name),
        "judged": sites.judged,
        "hidden": sites.hidden,
        "signals": _names(sites.signals) if sites.judged else numbers.MISSING,
        "beyond": _names(sites.beyond) if sites.judged else numbers.MISSING,
        "near": _names(sites.near) if sites.judged else numbers.MISSING,
        "widened": ("yes" if sites.widened else "no") if sites.judged else numbers.MISSING,
    }


def _names(those: tuple[Site, ...]) -> str:
    return ", ".join(one.name for one in those) or "none"


def _plain_table(study: QuarterStudy, compared: Indicator) -> Item:
    """List the sites; many of which nothing is shown are counted instead."""
    rows = with_text(study.released.by_site(compared), compared)
    nothing = rows["hidden"] & rows[["numerator", "denominator"]].isna().all(axis=1)
    notes = (HIDDEN_NOTE,) if rows["hidden"].any() else ()
    if nothing.sum() > _MOST_WITHOUT:
        notes = (f"Every count of {nothing.sum()} of {len(rows)} sites is hidden; they are not listed.", *notes)
        rows = rows[~nothing]
    if rows.empty:
        return Passage(notes)
    columns = (Column("site", "Site"), *text_columns(compared))
    return Table(rows, f"{compared.label}, by site, {study.span}.", columns, notes, "sites")
