"""What the rules of one chart say of the quarter; nothing is said or rounded here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.quarter.over_time.control_charts import ControlChart
from analysis.quarter.over_time.run_chart import RunChart
from analysis.quarter.periods import period_number, quarter_of
from analysis.result import Result

if TYPE_CHECKING:
    import pandas as pd

    from analysis.quarter.counts import Better
    from analysis.quarter.over_time.charts import IndicatorChart
    from analysis.quarter.released_counts import ReleasedCounts

#: Of one chart: signal: the quarter belongs to a pattern that meets a rule. no signal: it can tell and no rule is met. too early:
#: too few points to tell. too many lost: of an outcome of a release whose patients were not seen, whatever its chart tells. The
#: others have no value: not yet due, a small count, nobody in the denominator.
Verdict = Literal["signal", "no signal", "too early", "too many lost", "not yet due", "hidden", "nobody"]
#: steadier: points hug the centre line, which says nothing of the level. Empty without a signal.
Way = Literal["higher", "lower", "rising", "falling", "steadier", ""]

#: A shift needs six points; with fewer off the median no rule of a run chart can be met.
FEWEST_FOR_A_VERDICT = 6
_YEAR = 4
_OF_A_SIDE = frozenset(("outside", "shift", "two of three"))


@dataclass(frozen=True, repr=False)
class QuarterChange(Result):
    """What became of an indicator in the quarter.

    Attributes
    ----------
    name : str
        The indicator.
    verdict : str
        One of :data:`Verdict`.
    rules : tuple of str
        Rules of the chart whose patterns the quarter belongs to; of a release the one of
        :data:`analysis.quarter.over_time.release_changes.RULES` that is met.
    way : str
        One of :data:`Way`: the side of the centre line, or of a trend alone its direction.
    direction : {"better", "worse", ""}
        Whether that way is better; empty where it is neither.
    since : str
        The period in which the run on one side, the neighbouring signals of that side, or the trend began.
    recent : tuple of (str, Way)
        Periods of the year before the quarter in which a rule told of a level or a trend, where the quarter itself has no
        signal, and which way each went.
    look : tuple of str
        Of a release: rules of the chart that are met, which is worth a look and no signal by itself.
    """

    name: str
    verdict: Verdict
    rules: tuple[str, ...] = ()
    way: Way = ""
    direction: Literal["better", "worse", ""] = ""
    since: str = ""
    recent: tuple[tuple[str, Way], ...] = ()
    look: tuple[str, ...] = ()

    def _headline(self) -> str:
        way = f": {self.way} since {self.since}" if self.way else ""
        return f"{self.name}: {self.verdict}{way}"


def quarter_change(released: ReleasedCounts, chart: IndicatorChart) -> QuarterChange:
    """Judge what became of an indicator in the quarter.

    Parameters
    ----------
    released : ReleasedCounts
        The counts that may be shown.
    chart : IndicatorChart
        The chart of the indicator.

    Returns
    -------
    QuarterChange
        A difference between two quarters is a signal only where the quarter belongs to a pattern that meets a rule.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.quarter import Indicator, QuarterCounts, chart_of, release
    >>> rows = [(name, f"2026-Q{q}", "a", n) for q in (1, 2, 3, 4) for name, n in (("seen", 100), ("better", 40 + q))]
    >>> table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    >>> one = Indicator("better", "Better", "share", "outcome", "higher", "better", "seen", "better", "seen")
    >>> shown = release(QuarterCounts((one,), table), "2026-Q4", baseline=["2026-Q1"], window=["2026-Q4"])
    >>> quarter_change(shown, chart_of(shown, one)).verdict
    'too early'
    """
    indicator = chart.indicator
    at = released.of(indicator, [released.quarter]).iloc[0]
    if at["not_yet"] or not np.isfinite(at["value"]):
        return QuarterChange(indicator.name, "not yet due" if at["not_yet"] else "hidden" if at["hidden"] else "nobody")
    table = chart.chart.table if chart.chart is not None else chart.points.assign(rules="")
    shown = table[table["value"].notna()].reset_index(drop=True)
    met = shown.index[shown["period"].map(quarter_of).eq(released.quarter) & shown["rules"].ne("")]
    if len(met):
        rules = tuple(dict.fromkeys(rule for i in met for rule in _rules(shown, i)))
        last = max(i for i in met if not _OF_A_SIDE.isdisjoint(_rules(shown, i)) or _OF_A_SIDE.isdisjoint(rules))
        way = _way(shown, last)
        return QuarterChange(
            indicator.name, "signal", rules, way, better_way(way, indicator.better), _since(shown, last)
        )
    tells = isinstance(chart.chart, ControlChart) or (
        isinstance(chart.chart, RunChart) and chart.chart.useful >= FEWEST_FOR_A_VERDICT
    )
    return QuarterChange(indicator.name, "no signal" if tells else "too early", recent=_recent(shown, released.quarter))


def _recent(shown: pd.DataFrame, quarter: str) -> tuple[tuple[str, Way], ...]:
    """Give the signals of the four quarters before, as far as points are shown."""
    first = period_number(quarter) - _YEAR
    quarters = shown["period"].map(lambda one: period_number(quarter_of(one)))
    told = [
        int(i)
        for i in shown.index[quarters.between(first, period_number(quarter) - 1) & shown["rules"].ne("")]
        if _way(shown, int(i)) != "steadier"
    ]
    return tuple((str(shown["period"].iloc[i]), _way(shown, i)) for i in told)


def _rules(shown: pd.DataFrame, at: int) -> list[str]:
    return str(shown["rules"].iloc[at]).split(", ") if shown["rules"].iloc[at] else []


def _way(shown: pd.DataFrame, at: int) -> Way:
    rules = _rules(shown, at)
    if not _OF_A_SIDE.isdisjoint(rules):
        return "higher" if shown["value"].iloc[at] > shown["centre"].iloc[at] else "lower"
    if "trend" in rules:
        return "rising" if _steps(shown)[at] > 0 else "falling"
    return "steadier"


def better_way(way: Way, better: Better) -> Literal["better", "worse", ""]:
    """Say whether a way is better or worse; empty where it is neither."""
    up = {"higher": "higher", "rising": "higher", "lower": "lower", "falling": "lower"}.get(way, "")
    return "" if not up or better == "neither" else "better" if up == better else "worse"


def _steps(shown: pd.DataFrame) -> list[float]:
    """Give the direction in which each point was reached; of equal neighbours the one of the first."""
    step = np.sign(shown["value"].diff())
    return [float(one) for one in step.replace(0.0, np.nan).ffill().fillna(0.0)]


def _since(shown: pd.DataFrame, at: int) -> str:
    """Follow a shift, neighbours beyond the same side, or else a trend back to the point at which they began."""
    rules = _rules(shown, at)
    sides = [float(one) for one in np.sign(np.round(shown["value"] - shown["centre"], 12))]
    steps, first = _steps(shown), at
    if "shift" in rules:
        for i in range(at, -1, -1):
            if sides[i] == -sides[at]:
                break
            first = i if sides[i] else first
    elif not _OF_A_SIDE.isdisjoint(rules):
        while first > 0 and sides[first - 1] == sides[at] and not _OF_A_SIDE.isdisjoint(_rules(shown, first - 1)):
            first -= 1
    elif "trend" in rules:
        while first > 0 and steps[first] == steps[at]:
            first -= 1
    return str(shown["period"].iloc[first])
