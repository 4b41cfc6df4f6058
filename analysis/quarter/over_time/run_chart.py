"""Run charts: points about a median, judged by the run rules; for series too short for control limits."""

from __future__ import annotations

from dataclasses import dataclass
from math import comb
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.errors import ModelError
from analysis.quarter.over_time.control_charts import started
from analysis.quarter.over_time.special_causes import sides, trends
from analysis.result import ResultWithNotes

if TYPE_CHECKING:
    from collections.abc import Sequence

RULE_SET = "run rules of Perla, Provost and Murray (BMJ Qual Saf 2011;20:46)"
RULES = {
    "shift": "six or more points in a row on one side of the median",
    "trend": "five or more points in a row all rising or all falling",
    "few runs": "fewer runs about the median than chance makes",
    "many runs": "more runs about the median than chance makes",
}
SHIFT, TREND = 6, 5
#: With fewer points off the median than this the number of runs says nothing.
FEWEST_USEFUL = 10
_TAIL = 0.025


@dataclass(frozen=True, eq=False, repr=False)
class RunChart(ResultWithNotes):
    """Points about their median.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a period: period, numerator, denominator, value, centre (the median), in_baseline, rules (names of
        shift and trend with commas between, empty for none).
    baseline : tuple of str
        Periods that the median comes from.
    runs, useful : int
        Runs about the median, and points off the median.
    fewest, most : float
        Smallest and largest number of runs that chance explains; NaN with fewer than ten useful points.
    rules : tuple of str
        Rules of the whole chart that are met: "few runs" or "many runs".
    """

    table: pd.DataFrame
    baseline: tuple[str, ...]
    runs: int
    useful: int
    fewest: float
    most: float
    rules: tuple[str, ...]

    def _headline(self) -> str:
        return f"Run chart, {self.runs} runs of {self.useful} useful points"


def run_chart(points: pd.DataFrame, *, baseline: Sequence[str] | None = None, centre: float | None = None) -> RunChart:
    """Set points against their median and apply the run rules.

    Parameters
    ----------
    points : pandas.DataFrame
        period, value; numerator and denominator are kept where they are there. Missing values are left out.
    baseline : sequence of str, optional
        Periods that the median comes from; by default all.
    centre : float, optional
        Line in place of the median, which would be the value of a period that may be hidden.

    Returns
    -------
    RunChart
        Median, runs, and the rules met.

    Raises
    ------
    ModelError
        No point of the baseline has a value.

    Notes
    -----
    Points on the median add to no run and end none; of equal neighbours only the first counts for a trend (Perla,
    Provost and Murray, BMJ Qual Saf 2011;20:46). The limits of the number of runs are the 2.5 % tails of its exact
    distribution (Swed and Eisenhart, Ann Math Stat 1943;14:66) at the numbers of points above and below.

    Examples
    --------
    >>> points = pd.DataFrame({"period": [f"2026-{m:02d}" for m in range(1, 9)], "value": [1, 2, 1, 2, 1, 2, 1, 2]})
    >>> run_chart(points).runs
    8
    """
    table = started(points)
    inside = table["period"].isin(list(baseline)) if baseline is not None else pd.Series(True, index=table.index)
    known = table.loc[inside & table["value"].notna(), "value"]
    if known.empty:
        raise ModelError(
            "No point of the baseline has a value, so there is no median.",
            where="baseline of the run chart",
            what_to_do="Choose a baseline that holds data.",
        )
    table = table.assign(centre=float(known.median()) if centre is None else centre, in_baseline=inside)
    shown = table[table["value"].notna()]
    distance = np.round((shown["value"] - shown["centre"]).to_numpy(), 12)
    runs = sides(distance)
    rules: list[tuple[str, ...]] = [() for _ in range(len(table))]
    patterns = {
        "shift": [run for run in runs if len(run) >= SHIFT],
        "trend": [run for run in trends(shown["value"].to_numpy()) if len(run) >= TREND],
    }
    for rule, found in patterns.items():
        for position in sorted({int(shown.index[i]) for run in found for i in run}):
            rules[position] = (*rules[position], rule)
    table["rules"] = [", ".join(one) for one in rules]
    above, below = int((distance > 0).sum()), int((distance < 0).sum())
    fewest, most = limits_of_runs(above, below) if above + below >= FEWEST_USEFUL else (np.nan, np.nan)
    whole = [name for name, met in (("few runs", len(runs) < fewest), ("many runs", len(runs) > most)) if met]
    notes = [f"Run chart. Rules: {RULE_SET}."]
    if above + below < FEWEST_USEFUL:
        notes.append(
            f"With {above + below} points off the median the number of runs says nothing; {FEWEST_USEFUL} are needed."
        )
    periods = tuple(table.loc[inside, "period"])
    return RunChart(table, periods, len(runs), above + below, fewest, most, tuple(whole), notes=tuple(notes))


def limits_of_runs(above: int, below: int) -> tuple[float, float]:
    """Give the smallest and the largest number of runs that chance explains.

    Parameters
    ----------
    above, below : int
        Points above and below the median.

    Returns
    -------
    tuple of float
        Fewer runs than the first, or more than the second, have a probability of 2.5 % at most.

    Examples
    --------
    >>> limits_of_runs(10, 10)
    (7.0, 15.0)
    """
    if not above or not below:
        return (1.0, 1.0)
    total = comb(above + below, above)
    possible = range(2, 2 * min(above, below) + 2)
    share = {runs: _arrangements(runs, above, below) / total for runs in possible}
    few = [runs for runs in possible if sum(share[one] for one in possible if one <= runs) <= _TAIL]
    many = [runs for runs in possible if sum(share[one] for one in possible if one >= runs) <= _TAIL]
    return float(max(few, default=1) + 1), float(min(many, default=possible[-1] + 1) - 1)


def _arrangements(runs: int, above: int, below: int) -> int:
    half = runs // 2
    if runs % 2 == 0:
        return 2 * comb(above - 1, half - 1) * comb(below - 1, half - 1)
    return comb(above - 1, half) * comb(below - 1, half - 1) + comb(above - 1, half - 1) * comb(below - 1, half)
