"""What changed since last quarter, in words that tell a special cause from common cause."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.quarter.control_charts import ControlChart
from analysis.quarter.periods import quarter_in_words, quarter_of
from analysis.quarter.run_chart import RULES as RUN_RULES
from analysis.quarter.run_chart import RunChart
from analysis.quarter.special_causes import RULES
from analysis.result import Result

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.quarter.charts import IndicatorChart
    from analysis.quarter.release import ReleasedCounts

Cause = Literal["special cause", "common cause", "cannot be told"]


@dataclass(frozen=True, repr=False)
class QuarterChange(Result):
    """What became of an indicator since the quarter before.

    Attributes
    ----------
    name : str
        The indicator.
    cause : {"special cause", "common cause", "cannot be told"}
        What the chart supports.
    direction : {"better", "worse", ""}
        Of a special cause: on which side of the centre line the quarter lies; empty where it is on neither, or where
        neither side is better.
    words : str
        One or two sentences.
    moved : str
        The value, and the one of the quarter before.
    """

    name: str
    cause: Cause
    direction: Literal["better", "worse", ""]
    words: str
    moved: str = ""

    def _headline(self) -> str:
        return f"{self.name}: {self.cause}"

    def _shown_notes(self) -> list[str]:
        return [one for one in (self.moved, self.words) if one]


def change_in_words(released: ReleasedCounts, chart: IndicatorChart, show: Callable[[float], str]) -> QuarterChange:
    """Say what became of an indicator since the quarter before.

    Parameters
    ----------
    released : ReleasedCounts
        The counts that may be shown.
    chart : IndicatorChart
        The chart of the indicator.
    show : callable
        Writes a value of the indicator as readers see it.

    Returns
    -------
    QuarterChange
        A difference between two quarters is called news only where a rule of the chart is met by the quarter.
    """
    indicator = chart.indicator
    both = released.of(indicator, [released.before, released.quarter])
    before, now = both["value"]
    here, earlier = quarter_in_words(released.quarter), quarter_in_words(released.before)
    if both["not_yet"].iloc[1]:
        return _unknown(indicator.name, f"patients of {here} were not yet due.")
    if not np.isfinite(now):
        why = "a count is small and hidden" if both["hidden"].iloc[1] else "nobody is in the denominator"
        return _unknown(indicator.name, f"no value for {here} can be given, because {why}.")
    moved = f"{show(now)} in {here}"
    if np.isfinite(before):
        moved += f", {show(before)} in {earlier}" if show(before) != show(now) else f", as in {earlier}"
    else:
        moved += f"; no value for {earlier} can be given"
    rules = _rules_of_quarter(chart, released.quarter)
    if rules:
        named = "; ".join(_rule_words(chart)[rule] for rule in rules)
        direction = _direction(chart, released.quarter)
        which = {"better": ", on the better side", "worse": ", on the worse side", "": ""}[direction]
        return QuarterChange(
            indicator.name, "special cause", direction,
            f"Special cause: {moved}. What the quarter belongs to{which}: {named}. Ask what was different and when it "
            "began.",
            moved,
        )  # fmt: skip
    if isinstance(chart.chart, ControlChart):
        return QuarterChange(
            indicator.name, "common cause", "",
            f"Common cause: {moved}. The quarter is within what the process has done since its baseline; the difference "
            "from the quarter before needs no explanation of its own.",
            moved,
        )  # fmt: skip
    if isinstance(chart.chart, RunChart) and chart.chart.useful >= _FEWEST_FOR_A_VERDICT:
        return QuarterChange(
            indicator.name, "common cause", "",
            f"No signal of a special cause: {moved}. A run chart sees shifts and trends only, not a single unusual "
            "quarter.",
            moved,
        )  # fmt: skip
    return _unknown(indicator.name, f"{moved}. With so few points neither cause can be told from the other.", moved)


#: A shift needs six points; with fewer off the median no rule of a run chart can be met.
_FEWEST_FOR_A_VERDICT = 6


def _unknown(name: str, words: str, moved: str = "") -> QuarterChange:
    return QuarterChange(name, "cannot be told", "", f"Cannot be told: {words}", moved)


def _rules_of_quarter(chart: IndicatorChart, quarter: str) -> tuple[str, ...]:
    found = [rule for period, rules in chart.signals if quarter_of(period) == quarter for rule in rules]
    return tuple(dict.fromkeys(found))


def _rule_words(chart: IndicatorChart) -> dict[str, str]:
    return RULES if isinstance(chart.chart, ControlChart) else RUN_RULES


def _direction(chart: IndicatorChart, quarter: str) -> Literal["better", "worse", ""]:
    if chart.chart is None or chart.indicator.better == "neither":
        return ""
    table = chart.chart.table
    at = table[table["period"].map(quarter_of).eq(quarter) & table["rules"].ne("") & table["value"].notna()]
    away = float((at["value"] - at["centre"]).iloc[-1])
    if away == 0:
        return ""
    return "better" if (away > 0) == (chart.indicator.better == "higher") else "worse"
