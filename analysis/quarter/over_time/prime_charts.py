"""Laney's p' and u' charts: limits that allow for what differs between periods, for large denominators."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.errors import ModelError
from analysis.quarter.over_time.control_charts import (
    D2,
    FEWEST_POINTS,
    TOO_WIDE,
    ChartKind,
    ControlChart,
    p_chart,
    standardised,
    u_chart,
    with_limits,
)
from analysis.quarter.over_time.special_causes import RULE_SET

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

#: Median denominator of the baseline from which denominators are called large (design choice: the binomial standard
#: deviation of a share of a half is then 3.5 points, no more than what mostly differs between periods).
LARGE = 200
LANEY = "Laney, Qual Eng 2002;14:531"
_COUNTS = {"p'": "binomial", "u'": "Poisson"}


def p_prime_chart(
    points: pd.DataFrame,
    *,
    baseline: Sequence[str] | None = None,
    baseline_total: tuple[float, float] | None = None,
) -> ControlChart:
    """Draw up Laney's p' chart of shares.

    Parameters
    ----------
    points, baseline, baseline_total
        As in :func:`analysis.quarter.over_time.control_charts.p_chart`.

    Returns
    -------
    ControlChart
        The p chart with each standard deviation times sigma Z: the mean moving range of the standardised points of the
        baseline over 1.128. A sigma Z below 1 narrows the limits.

    Raises
    ------
    ModelError
        As of the p chart; or the baseline has fewer than two points, or counts nobody or everybody.

    Notes
    -----
    Laney, Improved control charts for attributes, Qual Eng 2002;14:531.

    Examples
    --------
    >>> import pandas as pd
    >>> points = pd.DataFrame({"period": [f"2026-Q{q}" for q in (1, 2, 3, 4)], "numerator": [500, 560, 490, 570],
    ...                        "denominator": 1000})
    >>> chart = p_prime_chart(points)
    >>> chart.kind, round(chart.sigma_z, 2)
    ("p'", 3.93)
    """
    return _widened(p_chart(points, baseline=baseline, baseline_total=baseline_total))


def u_prime_chart(
    points: pd.DataFrame,
    *,
    baseline: Sequence[str] | None = None,
    baseline_total: tuple[float, float] | None = None,
) -> ControlChart:
    """Draw up Laney's u' chart of events per unit.

    Parameters
    ----------
    points, baseline, baseline_total
        As in :func:`analysis.quarter.over_time.control_charts.u_chart`.

    Returns
    -------
    ControlChart
        The u chart with its standard deviations times sigma Z, as :func:`p_prime_chart` has it, with the same errors.

    Examples
    --------
    >>> import pandas as pd
    >>> points = pd.DataFrame({"period": ["2026-Q1", "2026-Q2", "2026-Q3"], "numerator": [500, 560, 490],
    ...                        "denominator": 1000})
    >>> u_prime_chart(points).kind
    "u'"
    """
    return _widened(u_chart(points, baseline=baseline, baseline_total=baseline_total))


def for_large_denominators(chart: ControlChart, *, stored: float | None = None) -> ControlChart:
    """Take Laney's chart in place of a p or u chart where denominators are large and periods differ by more than chance.

    Parameters
    ----------
    chart : ControlChart
        A p or u chart.
    stored : float, optional
        Sigma Z of the stored baseline; 1 where limits were not widened. By default what the baseline says now.

    Returns
    -------
    ControlChart
        The p' or u' chart, its notes saying why; or the chart as it is. It is taken with twelve baseline points or more, a
        median denominator of 200 or more, baseline points that vary more than 1.4 times as much as chance would make
        them, and a sigma Z above 1. Where the level moved once within the baseline, neighbours differ little and sigma Z
        stays near 1: that is a special cause, and limits are not widened for it.

    Examples
    --------
    >>> import pandas as pd
    >>> points = pd.DataFrame({"period": [f"2026-{m:02d}" for m in range(1, 13)], "numerator": [500, 560] * 6,
    ...                        "denominator": 1000})
    >>> for_large_denominators(p_chart(points)).kind
    "p'"
    """
    if stored is not None:
        return chart if stored <= 1 else _widened(chart, stored)
    inside = chart.table[chart.table["in_baseline"] & chart.table["value"].notna()]
    middle = float(inside["denominator"].median()) if len(inside) else 0.0
    if len(inside) < FEWEST_POINTS or middle < LARGE or not chart.spread > TOO_WIDE:
        return chart
    wider = _widened(chart)
    if not wider.sigma_z > 1:
        return chart
    why = (
        f"Taken in place of the {chart.kind} chart because denominators are large (median {middle:,.0f}) and the points of "
        f"the baseline vary {chart.spread:.1f} times as much as chance alone would make them."
    )
    left = chart.spread / wider.sigma_z
    moved = (
        f"They vary {left:.1f} times as much as the differences of neighbours make expected: the level moved within the "
        "baseline."
    )
    return replace(wider, notes=(*wider.notes, why, *([moved] if left > TOO_WIDE else [])))


def _widened(chart: ControlChart, stored: float | None = None) -> ControlChart:
    z = standardised(chart.table)
    if chart.table["sigma"].eq(0).any():
        raise ModelError(
            "The baseline does not vary: nobody in it is counted, or everybody.",
            where=f"baseline of the {chart.kind}' chart",
            what_to_do=f"Choose a longer baseline, or draw a {chart.kind} chart.",
        )
    if len(z) < 2:
        raise ModelError(
            f"The baseline holds {len(z)} points; a {chart.kind}' chart needs 2 at least, and 12 to mean much.",
            where="baseline of the control chart",
            what_to_do="Choose a longer baseline.",
        )
    sigma_z = float(np.abs(np.diff(z)).mean()) / D2 if stored is None else stored
    table = with_limits(chart.table, chart.table["sigma"] * sigma_z, (0.0, 1.0 if chart.kind == "p" else np.inf))
    kind: ChartKind = "p'" if chart.kind == "p" else "u'"
    note = (
        f"{kind} chart, limits at three {_COUNTS[kind]} standard deviations times a sigma Z of {sigma_z:.2f}, from the "
        f"moving ranges of the standardised points ({LANEY}). Rules: {RULE_SET}."
    )
    return replace(chart, kind=kind, table=table, sigma_z=sigma_z, notes=(note,))
