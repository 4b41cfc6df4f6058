"""Which chart an indicator gets: a control chart with twelve points or more, otherwise a run chart, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.counted import counted
from analysis.quarter.control_charts import FEWEST_POINTS, ControlChart, p_chart, u_chart, xmr_chart
from analysis.quarter.prime_charts import for_large_denominators
from analysis.quarter.release import BASELINE
from analysis.quarter.run_chart import RunChart, run_chart
from analysis.result import Result

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from analysis.quarter.counts import Indicator
    from analysis.quarter.release import ReleasedCounts

#: With fewer points than this not even a run chart is drawn.
FEWEST_FOR_A_LINE = 3


@dataclass(frozen=True, eq=False, repr=False)
class IndicatorChart(Result):
    """The chart of an indicator.

    Attributes
    ----------
    indicator : Indicator
        The indicator.
    points : pandas.DataFrame
        period, numerator, denominator, value, hidden, not_yet; one row a period, hidden ones without numbers.
    chart : ControlChart or RunChart or None
        The chart; None where there are too few points for either.
    why : str
        Why it is not a control chart; empty where it is.
    """

    indicator: Indicator
    points: pd.DataFrame
    chart: ControlChart | RunChart | None
    why: str

    def _headline(self) -> str:
        return f"Chart of {self.indicator.name}"

    def _shown_notes(self) -> list[str]:
        return [self.why] if self.why else []

    @property
    def known_values(self) -> list[float]:
        """The values that may be shown, in order of time."""
        return [float(value) for value in self.points["value"].dropna()]

    @property
    def signals(self) -> list[tuple[str, tuple[str, ...]]]:
        """Periods with the rules whose patterns they belong to."""
        if self.chart is None:
            return []
        table = self.chart.table
        return [(str(at), _named(rules)) for at, rules in zip(table["period"], table["rules"], strict=True) if rules]


def chart_of(released: ReleasedCounts, indicator: Indicator) -> IndicatorChart:
    """Draw up the chart of an indicator from the counts that may be shown.

    Parameters
    ----------
    released : ReleasedCounts
        The counts.
    indicator : Indicator
        The indicator.

    Returns
    -------
    IndicatorChart
        A p chart for a share, a u chart for a rate, an XmR chart for a mean; Laney's p' or u' chart where denominators
        are large and periods differ by more than chance; a run chart where fewer than twelve points can be shown, or
        the baseline is shorter than twelve periods.

    Examples
    --------
    >>> from analysis.quarter.counts import Indicator, QuarterCounts
    >>> from analysis.quarter.release import release
    >>> import pandas as pd
    >>> rows = [(name, f"2026-Q{q}", "a", n) for q in (1, 2, 3, 4) for name, n in (("seen", 100), ("better", 40 + q))]
    >>> table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    >>> one = Indicator("better", "Better", "share", "outcome", "higher", "better", "seen", "better", "seen")
    >>> shown = release(QuarterCounts((one,), table), "2026-Q4", baseline=["2026-Q1"], window=["2026-Q4"])
    >>> chart_of(shown, one).why
    'Only 4 points can be shown; control limits need 12, so this is a run chart.'
    """
    points = released.by_period(indicator)
    points = points.assign(value=points["value"].where(~points["not_yet"]))
    n, long = int(points["value"].notna().sum()), len(released.baseline)
    if n < FEWEST_FOR_A_LINE:
        why = f"{_points(n) if n else 'no point'} can be shown; too few for a chart."
        return IndicatorChart(indicator, points, None, why)
    in_baseline = points["period"].isin(released.baseline) & points["value"].notna()
    limited = int(in_baseline.sum()) if indicator.kind == "mean" else long
    if n >= FEWEST_POINTS and limited >= FEWEST_POINTS:
        return IndicatorChart(indicator, points, _control_chart(released, indicator, points), "")
    why = (
        f"Only {_points(n)} can be shown; control limits need {FEWEST_POINTS}, so this is a run chart."
        if n < FEWEST_POINTS
        else f"The baseline holds {_points(limited)}; control limits need {FEWEST_POINTS}, so this is a run chart."
    )
    baseline = released.baseline if int(in_baseline.sum()) >= FEWEST_FOR_A_LINE else None
    return IndicatorChart(indicator, points, run_chart(points, baseline=baseline), why)


def _control_chart(released: ReleasedCounts, indicator: Indicator, points: pd.DataFrame) -> ControlChart:
    baseline: Sequence[str] = released.baseline
    if indicator.kind == "mean":
        return xmr_chart(points, baseline=baseline)
    shown = points.assign(numerator=points["numerator"].where(points["value"].notna()))
    whole = released.of(indicator, [BASELINE]).iloc[0]
    total = (float(whole["numerator"]), float(whole["denominator"])) if np.isfinite(whole["value"]) else None
    draw = p_chart if indicator.kind == "share" else u_chart
    return for_large_denominators(draw(shown, baseline=baseline, baseline_total=total))


def _named(rules: str) -> tuple[str, ...]:
    return tuple(rules.split(", ")) if rules else ()


def _points(n: int) -> str:
    return counted(n, "point")
