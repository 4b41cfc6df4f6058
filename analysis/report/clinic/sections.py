"""The clinic beside the network: what was found in short, its indicators, the main outcome over blocks, completeness."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.quarter.value_interval import METHODS
from analysis.report.clinic.words import (
    answer_words,
    blocks_caption,
    blocks_shown,
    blocks_told,
    blocks_words,
    interval_text,
    region_words,
)
from analysis.report.figures.quarters.over_blocks_figure import over_blocks_figure
from analysis.report.parts import numbers
from analysis.report.parts.indicator_numbers import HIDDEN, bare_shower
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.parts.tables import Column, Table
from analysis.report.parts.wording import INVENTED
from analysis.report.quarter.opening import INTERNAL, NOT_FOR_RELEASE

if TYPE_CHECKING:
    from analysis.report.clinic.findings import OfClinic
    from analysis.report.clinic.study import ClinicPage

_HIDES = "Counts from 1 to 10 are hidden, with as many others as it takes that they cannot be computed back."
#: Inches of the chart over blocks, which must leave the page room.
_CHART_HEIGHT = 1.15


def subtitle(page: ClinicPage) -> Section:
    """Name the clinic, the quarter, and what is hidden."""
    study = page.study
    hidden = study.released.small_counts == "hidden"
    lines = [
        f"Site: {page.site}. {study.quarter_words}, compared over {study.span}. {study.released.follow_up}",
        f"{INVENTED} " * study.invented + (_HIDES if hidden else NOT_FOR_RELEASE),
    ]
    mark = () if hidden else (Passage((INTERNAL,), "watermark"),)
    return Section((Passage(tuple(lines), "subtitle"), *mark))


def answer(page: ClinicPage) -> Section:
    """Say how many indicators could be judged and what was found, the main outcome, completeness, questions."""
    return Section((Passage(tuple(answer_words(page.found)), "answer"),))


def indicators(page: ClinicPage) -> Section:
    """Show numerator and denominator of each share and rate over the window, beside the network."""
    found = page.found
    if not found.followed:
        return Section((absent("outcomes."),))
    level = numbers.level_in_words(found.level)
    rows = [_row(one) | {"interval": interval_text(one), "where": region_words(one)} for one in found.followed]
    kinds = dict.fromkeys(one.indicator.kind for one in found.followed)
    table = Table(
        pd.DataFrame(rows),
        f"Indicators of {page.site} over {found.span}, beside the network.",
        (
            Column("label", "Indicator"),
            Column("counts", "Counts", "right"),
            Column("value", "Value", "right"),
            Column("interval", f"{level} interval", "right"),
            Column("network", "Network", "right"),
            Column("where", "Against the network"),
        ),
        (
            f"Intervals: {'; '.join(METHODS[kind] for kind in kinds)}.",
            "Limits and signals: about the network, as in the quarter's report; either is a reason to ask, not a verdict.",
        ),
        name="clinic-indicators",
    )
    return Section((table,))


def over_time(page: ClinicPage) -> Section:
    """Show the main outcome of the clinic over blocks of quarters; in words alone where none may be shown."""
    found = page.found
    if found.blocks is None:
        return Section(())
    words = Passage((blocks_words(found),))
    if not blocks_shown(found)[0]:
        return Section((words,))
    figure = over_blocks_figure(
        found.blocks, caption=blocks_caption(found), told=blocks_told(found), site=page.site, whole="the network",
        height=_CHART_HEIGHT,
    )  # fmt: skip
    return Section((words, figure))


def completeness(page: ClinicPage) -> Section:
    """Show how many of the patients due have a value, by measure, against the floor."""
    found = page.found
    if not found.completeness:
        return Section((absent("which values were expected. Nothing can be said about completeness."),))
    verdict = {True: "yes", False: "no", None: "cannot be said"}
    rows = [
        _row(one)
        | {
            "label": one.indicator.label,
            "floor": numbers.share(one.indicator.floor),
            "reached": verdict[one.reached],
            "where": region_words(one),
        }
        for one in found.completeness
    ]
    table = Table(
        pd.DataFrame(rows),
        f"Completeness by measure over {found.span}: with a value, of the patients due.",
        (
            Column("label", "Measure"),
            Column("counts", "Counts", "right"),
            Column("value", "Share", "right"),
            Column("network", "Network", "right"),
            Column("floor", "Floor", "right"),
            Column("reached", "Floor reached"),
            *([] if found.alone else [Column("where", "Against the network")]),
        ),
        name="clinic-completeness",
    )
    return Section((table,))


def _row(one: OfClinic) -> dict[str, object]:
    """Give what both tables show of an indicator."""
    show, unit = bare_shower(one.indicator), one.indicator.unit_words
    sign = "/" if one.indicator.kind == "share" else " among "
    counts = f"{numbers.count(one.numerator)}{sign}{numbers.count(one.denominator)}"
    return {
        "label": f"{one.indicator.title}, {unit}" if unit else one.indicator.title,
        "counts": HIDDEN if one.hidden else counts,
        "value": HIDDEN if one.hidden else show(one.value),
        "network": HIDDEN if one.network_hidden else show(one.network),
        "numerator": one.numerator,
        "denominator": one.denominator,
    }
