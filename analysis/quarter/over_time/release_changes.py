"""What became of every indicator of a release: a signal is what chance makes in few releases, over all that is judged."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.quarter.over_time.against_baseline import SPANS, Departure, departures
from analysis.quarter.over_time.quarter_change import QuarterChange, better_way, quarter_change
from analysis.quarter.periods import every_period, quarter_of
from analysis.quarter.signal_level import CHARTS, YEAR_BEFORE, limit_of_each

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.quarter.over_time.charts import IndicatorChart
    from analysis.quarter.released_counts import ReleasedCounts

_YEAR = 4


def release_changes(released: ReleasedCounts, charts: Mapping[str, IndicatorChart]) -> dict[str, QuarterChange]:
    """Judge every indicator of a release.

    Parameters
    ----------
    released : ReleasedCounts
        The counts that may be shown.
    charts : mapping of str to IndicatorChart
        The charts, by name of the indicator.

    Returns
    -------
    dict of str to QuarterChange
        A signal is a quarter, or the last two, four or eight, that lies further from the baseline than chance takes it with
        the p value of :mod:`analysis.quarter.signal_level`: that is chosen by how many charts are judged. Its rules are
        those of :data:`analysis.quarter.over_time.against_baseline.SPANS`. Rules that a chart meets are worth a look, and no
        signal by themselves. It is too early where the quarter can be compared neither alone nor with those before it.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.quarter import Indicator, QuarterCounts, chart_of, release
    >>> rows = [(name, f"{2020 + q // 4}-Q{q % 4 + 1}", "a", n) for q in range(16)
    ...         for name, n in (("seen", 200), ("better", 100 + 40 * (q > 13) + q % 3))]
    >>> table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    >>> one = Indicator("better", "Better", "share", "outcome", "higher", "better", "seen", "better", "seen")
    >>> counts = QuarterCounts((one,), table)
    >>> shown = release(counts, "2023-Q4", baseline=counts.periods[:12], window=["2023-Q4"])
    >>> found = release_changes(shown, {"better": chart_of(shown, one)})["better"]
    >>> found, found.rules
    (better: signal: higher since 2023-Q3, ('two quarters',))
    """
    met = {name: quarter_change(released, chart) for name, chart in charts.items()}
    judged = [name for name, one in met.items() if one.verdict in ("signal", "no signal")]
    comparisons = len(SPANS) * len(judged)
    limits = limit_of_each(CHARTS, comparisons), limit_of_each(YEAR_BEFORE, _YEAR * comparisons)
    return {name: _judged(released, charts[name], one, limits) if name in judged else one for name, one in met.items()}


def _judged(
    released: ReleasedCounts, chart: IndicatorChart, met: QuarterChange, limits: tuple[float, float]
) -> QuarterChange:
    """Take the verdict of a release in place of that of the rules: ``limits`` are for the quarter and for the year before."""
    quarters = every_period(dict.fromkeys(quarter_of(one) for one in released.periods))
    before = quarters[: quarters.index(released.quarter)][-_YEAR:]
    every = departures(released, chart, [*before, released.quarter])
    if not every[released.quarter]:  # nothing is compared, so nothing is said of a change
        return QuarterChange(met.name, "too early", look=met.rules)
    found = _furthest(every[released.quarter], limits[0])
    if found is not None:
        return replace(
            met, verdict="signal", rules=(NAMES[found.quarters],), way=found.way, since=found.since, recent=(),
            direction=better_way(found.way, chart.indicator.better), look=met.rules,
        )  # fmt: skip
    recent = {one: _furthest(every[one], limits[1]) for one in before}
    return replace(
        met, verdict="no signal", rules=(), since="", direction="", look=met.rules,
        way="steadier" if met.way == "steadier" else "",
        recent=tuple((one, then.way) for one, then in recent.items() if then is not None),
    )  # fmt: skip


def _furthest(found: Sequence[Departure], limit: float) -> Departure | None:
    """Give the comparison with the smallest p value, where it is a signal."""
    least = min(found, key=lambda one: one.p_value, default=None)
    return least if least is not None and least.p_value <= limit else None


#: Names of the rules by which a quarter is a signal, by the number of quarters compared, and their words.
NAMES = {1: "one quarter", 2: "two quarters", 4: "four quarters", 8: "eight quarters"}
RULES = {NAMES[span]: words for span, words in SPANS.items()}
