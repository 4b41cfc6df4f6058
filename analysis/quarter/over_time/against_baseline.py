"""The last quarters, alone and together, against the baseline: p values that allow for the baseline being an estimate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import special

from analysis.quarter.over_time.control_charts import TOO_WIDE, ControlChart
from analysis.quarter.periods import period_number, quarter_of
from analysis.quarter.released_counts import BASELINE
from analysis.statistics.two_counts import two_counts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.quarter.over_time.charts import IndicatorChart
    from analysis.quarter.over_time.run_chart import RunChart
    from analysis.quarter.released_counts import ReleasedCounts
    from analysis.statistics.dispersion import CountKind

#: How many quarters, the one judged last, are held against the baseline together, and their words.
SPANS = {
    1: "the quarter against the baseline",
    2: "the last two quarters together against the baseline",
    4: "the last four quarters together against the baseline",
    8: "the last eight quarters together against the baseline",
}
#: With fewer points of the baseline outside the quarters compared nothing is judged (design choice).
FEWEST_OUTSIDE = 4


@dataclass(frozen=True)
class Departure:
    """Some quarters against the baseline: how many, their first period, the side they lie on, and the two-sided p value."""

    quarters: int
    since: str
    way: Literal["higher", "lower"]
    p_value: float


def departures(released: ReleasedCounts, found: IndicatorChart, quarters: Sequence[str]) -> dict[str, list[Departure]]:
    """Hold quarters, alone and with the ones before them, against the baseline of a chart.

    Parameters
    ----------
    released : ReleasedCounts
        The counts that may be shown.
    found : IndicatorChart
        The chart of an indicator.
    quarters : sequence of str
        Each the last of the quarters compared.

    Returns
    -------
    dict of str to list of Departure
        For each quarter one for each of :data:`SPANS` all of whose periods are shown and due, with four points of the baseline
        or more outside them. Run charts are too short to show how much single quarters vary, so there the quarter alone is
        not compared.

    Notes
    -----
    Nothing is taken for known of the baseline: shares and rates by exact conditional tests
    (:func:`analysis.statistics.two_counts.two_counts`), means by a t test of the points with the spread of the baseline, which
    makes prediction limits (Hahn, J Qual Technol 1969;1:168, from memory). Limits that take an estimate for the truth give
    false alarms too often: Jensen, Jones-Farmer, Champ and Woodall, J Qual Technol 2006;38:349 (from memory). Where points of
    the baseline vary more than 1.4 times as much as chance makes them, or the chart is Laney's, the larger p value of that test
    and of a t test with the spread of the baseline holds.
    """
    if found.chart is None:
        return {one: [] for one in quarters}
    table = found.chart.table
    number = np.array([period_number(quarter_of(one)) for one in table["period"]])
    points = _Points(released, found, found.chart)
    spans = [one for one in SPANS if one > 1 or isinstance(found.chart, ControlChart)]
    made: dict[str, list[Departure]] = {}
    for quarter in quarters:
        last, made[quarter] = period_number(quarter), []
        for span in spans:
            here = (number > last - span) & (number <= last)
            outside = points.baseline & ~here
            whole = len(set(number[here])) == span and np.isfinite(points.value[here]).all()
            if whole and outside.sum() >= FEWEST_OUTSIDE:
                since = str(table["period"].iloc[int(np.flatnonzero(here)[0])])
                way, p_value = points.compared(here, outside)
                made[quarter].append(Departure(span, since, way, p_value))
    return made


class _Points:
    """The points of a chart that are shown, and the whole of its baseline."""

    def __init__(self, released: ReleasedCounts, found: IndicatorChart, chart: ControlChart | RunChart) -> None:
        table = chart.table
        self.kind = found.indicator.kind
        self.numerator, self.denominator, self.value = (
            table[name].to_numpy(dtype=float) for name in ("numerator", "denominator", "value")
        )
        self.in_baseline = table["in_baseline"].to_numpy(dtype=bool)
        self.baseline = self.in_baseline & np.isfinite(self.value)
        self.centre = float(table["centre"].iloc[0])
        whole = released.of(found.indicator, [BASELINE]).iloc[0]
        self.whole = (float(whole["numerator"]), float(whole["denominator"])) if np.isfinite(whole["value"]) else None
        self.stored = any(one.baseline == released.baseline for one in released.earlier)
        self.varies = isinstance(chart, ControlChart) and (chart.sigma_z > 1 or chart.spread > TOO_WIDE)

    def compared(self, here: NDArray[np.bool_], outside: NDArray[np.bool_]) -> tuple[Literal["higher", "lower"], float]:
        """Give the side on which quarters lie, and the p value, against the points of the baseline outside them."""
        value = self.value
        if self.kind == "mean":
            away = float(value[here].mean() - value[outside].mean())
            return _side(away), _t_test(away, value[outside], 1 / here.sum() + 1 / outside.sum())
        count, size = float(self.numerator[here].sum()), float(self.denominator[here].sum())
        before, others = self._without(here, outside)
        if not others > 0:
            return "higher", 1.0
        away = count / size - before / others
        kind: CountKind = "rate" if self.kind == "rate" else "share"
        p_value = two_counts(kind, (count, size), (before, others))
        centre = (count + before) / (size + others)
        unit = float(np.sqrt(centre * (1 - centre) if kind == "share" else centre))
        if self.varies and unit > 0:
            z = (value[outside] - before / others) * np.sqrt(self.denominator[outside]) / unit
            p_value = max(p_value, _t_test(away * np.sqrt(size) / unit, z, 1 + size / others))
        return _side(away), p_value

    def _without(self, here: NDArray[np.bool_], outside: NDArray[np.bool_]) -> tuple[float, float]:
        """Give numerator and denominator of the baseline without quarters; of a hidden whole, by its centre line.

        A stored whole may lack what late data added to these quarters since, so they are not taken from it.
        """
        both = here & self.in_baseline
        if self.whole is None or (self.stored and both.any()):
            denominator = float(self.denominator[outside].sum())
            if self.whole is not None and (outside | both)[self.in_baseline].all():
                return float(self.numerator[outside].sum()), denominator
            return self.centre * denominator, denominator
        numerator, denominator = (
            self.whole[0] - self.numerator[both].sum(),
            self.whole[1] - self.denominator[both].sum(),
        )
        return max(0.0, float(numerator)), float(denominator)


def _side(away: float) -> Literal["higher", "lower"]:
    return "higher" if away > 0 else "lower"


def _t_test(difference: float, values: NDArray[np.float64], variance: float) -> float:
    """Give the two-sided p value of a difference whose variance is so many times that of the values."""
    spread = float(np.std(values, ddof=1))
    if not spread > 0:
        return 1.0
    return float(2 * special.stdtr(len(values) - 1, -abs(difference) / (spread * np.sqrt(variance))))
