"""Signals in words: how their limits were chosen, over how many comparisons, and how often chance makes one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.quarter.over_time.against_baseline import SPANS
from analysis.quarter.signal_level import CHARTS, OTHER_SITES, RELEASES_WITH_A_SIGNAL, SITES, YEAR_BEFORE
from analysis.report.parts import numbers
from analysis.report.quarter.findings.words import WORTH_A_LOOK

if TYPE_CHECKING:
    from analysis.report.quarter.findings.finding import QuarterFindings


def by_chance_words(found: QuarterFindings) -> str:
    """Say how often a release without any change has a signal, over all that is judged in it."""
    return f"Of 100 releases without any change {_most()} or fewer have a signal, if quarters differ by chance alone, over {_judged(found)}."


def judged_words(found: QuarterFindings) -> str:
    """Say how many of the indicators could be judged, and in how many comparisons sites were."""
    _, main, others = _counted(found)
    charts = sum(one.judged for one in found.followed)
    sites = f", and {numbers.plural(main + others, 'comparison')} of sites" if main + others else ""
    return f"Of {numbers.plural(len(found.followed), 'indicator')} {charts} could be judged{sites}."


def signal_notes(found: QuarterFindings) -> list[str]:
    """Say what a signal is, how its limits were chosen, and over how many comparisons; nothing where nothing is judged."""
    charts, main, others = _counted(found)
    if not charts + main + others:
        return []
    first = (
        f"Signal over time: the quarter, or the last {numbers.listed([_SPANS[one] for one in SPANS if one > 1], 'or')} quarters "
        "together, further from the baseline than chance takes it, where the baseline is an estimate too (exact conditional tests "
        "of shares and rates; t prediction limits of means, or where periods differ by more than chance)."
    )
    how = " (after adjustment for case mix)" if found.sites is not None and found.sites.after_adjustment else ""
    parts = [
        f"{_of_100(CHARTS)} by {len(SPANS) * charts} comparisons of {numbers.plural(charts, 'indicator')} with the baseline",
        f"{_of_100(YEAR_BEFORE)} by those of the year before",
        *([f"{_of_100(SITES)} by {numbers.plural(main, 'site')} of the main outcome{how}"] if main else []),
        *(
            [f"{_of_100(OTHER_SITES)} by {numbers.plural(others, 'comparison')} of sites by other indicators"]
            if others
            else []
        ),
    ]
    sites = (
        "Signal of a site: further from all others than chance takes it, by the same tests, their spread allowed for."
    )
    allotted = (
        f"Of 100 releases without any change {_most()} or fewer have a signal: {', '.join(parts)}; each part is divided equally "
        "among its comparisons (Bonferroni)."
    )
    look = f"Rules of charts that are met, and sites beyond limits drawn, are {WORTH_A_LOOK} where there is no signal."
    return [first, *([sites] if main + others else []), allotted, look]


_SPANS = {1: "one", 2: "two", 4: "four", 8: "eight"}


def _most() -> str:
    return _of_100(RELEASES_WITH_A_SIGNAL)


def _of_100(part: float) -> str:
    return f"{100 * part:g}"


def _counted(found: QuarterFindings) -> tuple[int, int, int]:
    """Count the charts judged, the sites by the main outcome, and the places of sites by the others."""
    sites = found.sites
    main = 0 if sites is None else sites.adjusted if sites.after_adjustment else sites.judged
    return sum(one.compared for one in found.followed), main, sum(one.judged for one in found.other_sites.values())


def _judged(found: QuarterFindings) -> str:
    charts, main, others = _counted(found)
    said = [numbers.plural(charts, "indicator")] if charts else []
    if main:
        said.append(numbers.plural(main, "site"))
    if others:
        said.append(f"{numbers.plural(others, 'comparison')} of sites by other indicators")
    return f"all that is judged here: {numbers.listed(said)}"
