"""Which chart an indicator gets: a control chart with twelve points or more, otherwise a run chart, and why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.counted import counted
from analysis.quarter.over_time.control_charts import D4, FEWEST_POINTS, ControlChart, p_chart, u_chart, xmr_chart
from analysis.quarter.over_time.prime_charts import for_large_denominators
from analysis.quarter.over_time.run_chart import RunChart, run_chart
from analysis.quarter.released_counts import BASELINE
from analysis.result import Result
from analysis.statistics.small_counts import LARGEST_HIDDEN, SMALLEST_HIDDEN

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from analysis.quarter.counts import Indicator, QuarterCounts
    from analysis.quarter.released_counts import ReleasedCounts

#: With fewer points than this not even a run chart is drawn.
FEWEST_FOR_A_LINE = 3
#: Values that a hidden count must be able to have, whatever rules are said to be met (design choice).
_FEWEST_OPEN = 3
_ONLY = "Only "


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


def chart_of(
    released: ReleasedCounts,
    indicator: Indicator,
    *,
    counts: QuarterCounts | None = None,
    line: Mapping[str, float] | None = None,
) -> IndicatorChart:
    """Draw up the chart of an indicator from the counts that may be shown.

    Parameters
    ----------
    released : ReleasedCounts
        The counts.
    indicator : Indicator
        The indicator.
    counts : QuarterCounts, optional
        The counts as they are: lines and rules of shares and rates are then those of all periods, and the hidden ones are
        taken out of what comes back. Small counts are hidden where they are small, so the shown ones alone lie too high.
        Where a rule would leave fewer than three values for a hidden count, the rules of the shown points hold.
    line : mapping of str to float, optional
        What was stored of the baseline (:func:`stored_line`), in place of what the baseline says now.

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
    if counts is not None and indicator.kind != "mean" and points["hidden"].any():
        return _of_all_periods(released, indicator, points, counts, line)
    return _chart_of_points(released, indicator, points, line, centre=None)


def stored_line(chart: IndicatorChart) -> dict[str, float]:
    """Give what a chart takes from its baseline, to be stored: centre, sigma_z, mean_range; empty without a chart."""
    if chart.chart is None or chart.chart.table.empty:
        return {}
    line = {"centre": float(chart.chart.table["centre"].iloc[0])}
    if isinstance(chart.chart, ControlChart):
        line["sigma_z"] = chart.chart.sigma_z
        if chart.chart.kind == "XmR":
            line["mean_range"] = chart.chart.range_limit / D4
    return line


def _of_all_periods(
    released: ReleasedCounts,
    indicator: Indicator,
    points: pd.DataFrame,
    counts: QuarterCounts,
    line: Mapping[str, float] | None,
) -> IndicatorChart:
    """Draw up the chart of all periods, and take the hidden ones out of it."""
    shown = int(points["value"].notna().sum())
    if shown < FEWEST_FOR_A_LINE:
        return _chart_of_points(released, indicator, points, line, centre=None)
    true = {name: counts.matrix(name).sum(axis=1) for name in (indicator.numerator, indicator.denominator)}
    late = released.not_yet.get(indicator.denominator, ())
    numerator, denominator = (points["period"].map(true[one]) for one in (indicator.numerator, indicator.denominator))
    known = denominator.gt(0) & ~points["period"].isin(late)
    whole = points.assign(
        numerator=numerator.where(points["value"].isna(), points["numerator"]).where(known),
        denominator=denominator.where(points["value"].isna(), points["denominator"]),
    )
    whole["value"] = (whole["numerator"] / whole["denominator"]).where(known)
    inside = whole["period"].isin(released.baseline) & whole["value"].notna()
    centre = (
        float(whole.loc[inside, "numerator"].sum() / whole.loc[inside, "denominator"].sum()) if inside.any() else None
    )
    made = _chart_of_points(released, indicator, whole, line, centre=centre)
    if made.chart is None:
        return replace(made, points=points)
    if not _leaves_open(made.chart.table, points["hidden"]):
        made = _chart_of_points(released, indicator, points, line, centre=centre)
    if made.chart is None:
        return replace(made, points=points)
    table = made.chart.table.copy()
    gone = points["hidden"].to_numpy(dtype=bool)
    numbers = [name for name in ("numerator", "denominator", "value", "sigma", "lower", "upper") if name in table]
    table.loc[gone, numbers] = np.nan
    table.loc[gone, "rules"] = ""
    why = _too_few_to_show(shown) if made.why.startswith(_ONLY) else made.why
    return IndicatorChart(indicator, points, replace(made.chart, table=table), why)


def _too_few_to_show(n: int) -> str:
    return f"{_ONLY}{_points(n)} can be shown; control limits need {FEWEST_POINTS}, so this is a run chart."


def _leaves_open(table: pd.DataFrame, hidden: pd.Series) -> bool:
    """Say whether every hidden count could be three values at least on its side of the centre line."""
    rows = table[hidden.to_numpy(dtype=bool) & table["value"].notna().to_numpy(dtype=bool)]
    small = np.arange(SMALLEST_HIDDEN, LARGEST_HIDDEN + 1)
    denominator, centre, value = (rows[name].to_numpy(dtype=float) for name in ("denominator", "centre", "value"))
    side = np.sign(small / denominator[:, None] - centre[:, None]) == np.sign(value - centre)[:, None]
    return bool((side.sum(axis=1) >= _FEWEST_OPEN).all())


def _chart_of_points(
    released: ReleasedCounts,
    indicator: Indicator,
    points: pd.DataFrame,
    line: Mapping[str, float] | None,
    *,
    centre: float | None,
) -> IndicatorChart:
    n, long = int(points["value"].notna().sum()), len(released.baseline)
    if n < FEWEST_FOR_A_LINE:
        why = f"{_points(n) if n else 'no point'} can be shown; too few for a chart."
        return IndicatorChart(indicator, points, None, why)
    in_baseline = points["period"].isin(released.baseline) & points["value"].notna()
    limited = int(in_baseline.sum()) if indicator.kind == "mean" else long
    if n >= FEWEST_POINTS and limited >= FEWEST_POINTS:
        return IndicatorChart(indicator, points, _control_chart(released, indicator, points, line, centre), "")
    why = (
        _too_few_to_show(n)
        if n < FEWEST_POINTS
        else f"The baseline holds {_points(limited)}; control limits need {FEWEST_POINTS}, so this is a run chart."
    )
    baseline = released.baseline if int(in_baseline.sum()) >= FEWEST_FOR_A_LINE else None
    return IndicatorChart(indicator, points, run_chart(points, baseline=baseline, centre=centre), why)


def _control_chart(
    released: ReleasedCounts,
    indicator: Indicator,
    points: pd.DataFrame,
    line: Mapping[str, float] | None,
    centre: float | None,
) -> ControlChart:
    baseline: Sequence[str] = released.baseline
    if indicator.kind == "mean":
        kept = None if line is None or "mean_range" not in line else (line["centre"], line["mean_range"])
        return xmr_chart(points, baseline=baseline, line=kept)
    shown = points.assign(numerator=points["numerator"].where(points["value"].notna()))
    whole = released.of(indicator, [BASELINE]).iloc[0]
    total = (float(whole["numerator"]), float(whole["denominator"])) if np.isfinite(whole["value"]) else None
    if total is None and centre is not None:
        total = (centre, 1.0)
    draw = p_chart if indicator.kind == "share" else u_chart
    chart = draw(shown, baseline=baseline, baseline_total=total)
    return for_large_denominators(chart, stored=None if line is None else line.get("sigma_z"))


def _named(rules: str) -> tuple[str, ...]:
    return tuple(rules.split(", ")) if rules else ()


def _points(n: int) -> str:
    return counted(n, "point")
