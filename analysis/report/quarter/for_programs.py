"""The indicators and the signals of a quarter for other programs: numbers as they are, one row an indicator."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.cohort.findings import not_run
from analysis.quarter.value_interval import METHODS
from analysis.report.parts.passages import Section
from analysis.report.parts.tables import Column, Table
from analysis.report.quarter.findings.signal_words import judged_words
from analysis.report.quarter.findings.since_last import since_last, site_label
from analysis.report.quarter.findings.words import name_words, verdict_words
from analysis.report.running.record import SIGNALS

if TYPE_CHECKING:
    from analysis.report.quarter.findings.finding import Followed, SiteSignal
    from analysis.report.quarter.study import QuarterStudy

#: What the column state says of a signal that the last release did not have, had, and of one that it had.
NEW, GOES_ON, NONE_NOW, UNKNOWN = "new", "goes on", "none now", "cannot be judged now"


def indicators_csv(study: QuarterStudy) -> str:
    """Give every indicator of the quarter as CSV.

    Returns
    -------
    str
        One row an indicator: indicator, label, role, kind, unit, per, quarter, numerator, denominator, value (numerator over
        denominator), lower, upper, level, method, target, baseline, before, verdict, way, direction, since. What is hidden or
        not due is empty, and verdict says which.
    """
    rows = [_numbers(study, one) for one in study.found.followed]
    table = pd.DataFrame(rows)
    for name in table.select_dtypes(exclude="number").columns:
        table[name] = not_run(table[name].astype("str"))
    return table.to_csv(index=False, lineterminator="\n")


def _numbers(study: QuarterStudy, one: Followed) -> dict[str, object]:
    kind, known = one.indicator, bool(np.isfinite(one.lower))
    return {
        "indicator": kind.name, "label": kind.label, "role": kind.role, "kind": kind.kind, "unit": kind.unit, "per": kind.per,
        "quarter": study.released.quarter, "numerator": one.numerator, "denominator": one.denominator, "value": one.value,
        "lower": one.lower, "upper": one.upper, "level": study.level if known else np.nan,
        "method": METHODS[kind.kind] if known else "", "target": kind.target, "baseline": one.baseline, "before": one.before,
        "verdict": one.change.verdict, "way": one.change.way, "direction": one.change.direction, "since": one.change.since,
    }  # fmt: skip


def signals(study: QuarterStudy) -> Section:
    """List the signals of the quarter and of the last release, over time and of sites, and what became of each."""
    over_time, of_sites = _states(study)
    rows = [
        {"indicator": one.indicator.name, "site": "", "label": name_words(one), "state": state,
         "told": verdict_words(study.found, one), "way": one.change.way, "direction": one.change.direction,
         "since": one.change.since, "rules": "; ".join(one.change.rules)}
        for state, those in over_time.items()
        for one in those
    ]  # fmt: skip
    rows += [
        {"indicator": one.indicator, "site": one.site, "label": site_label(study.found, one), "state": state,
         "told": f"{one.way} the whole" if state in (NEW, GOES_ON) else "", "way": one.way, "direction": "", "since": "",
         "rules": "site"}
        for state, those in of_sites.items()
        for one in those
    ]  # fmt: skip
    columns = ["indicator", "site", "label", "state", "told", "way", "direction", "since", "rules"]
    table = pd.DataFrame(rows, columns=columns, dtype="str")
    what = "New: not in the last release, or there was none." if rows else "None of those judged has a signal."
    shown = Table(
        table,
        f"Signals in {study.quarter_words} and in the last release.",
        (Column("label", "Indicator"), Column("state", "State"), Column("told", "In this quarter")),
        (f"{judged_words(study.found)} {what}",),
        name=SIGNALS,
        csv=table.apply(not_run).to_csv(index=False, lineterminator="\n"),
    )
    return Section((shown,))


def _states(
    study: QuarterStudy,
) -> tuple[dict[str, tuple[Followed, ...]], dict[str, tuple[SiteSignal, ...]]]:
    """Give the signals by what became of them: over time, and of sites."""
    if not study.releasing.before:
        return {NEW: study.found.signals}, {NEW: study.found.site_signals}
    since = since_last(study.released, study.found, study.releasing.before[-1])
    told = tuple(one for one in since.over if one.judged)
    unknown = tuple(one for one in since.over if not one.judged)
    return (
        {NEW: since.new, GOES_ON: since.going_on, NONE_NOW: told, UNKNOWN: unknown},
        {NEW: since.new_sites, GOES_ON: since.going_on_sites, NONE_NOW: since.over_sites, UNKNOWN: since.unknown_sites},
    )
