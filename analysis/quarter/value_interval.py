"""How sure the value of a quarter is: the interval of a share or a rate from its numerator and denominator."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import stats

from analysis.statistics.proportions import check_level, share_interval

if TYPE_CHECKING:
    from analysis.quarter.counts import Better, IndicatorKind

#: met: the whole interval lies on the good side; missed: on the other one; unsure: on both; unknown: there is no interval;
#: none: there is no target, or neither side is better.
TargetVerdict = Literal["met", "missed", "unsure", "unknown", "none"]

#: What the intervals are, by the kind of the indicator.
METHODS: dict[IndicatorKind, str] = {
    "share": "of shares by Wilson",
    "rate": "of rates by Garwood, each event taken as independent of the others",
    "mean": "of means none, as the sums of a quarter do not hold the spread between patients",
}


def value_interval(
    kind: IndicatorKind, numerator: float, denominator: float, *, level: float = 0.95
) -> tuple[float, float]:
    """Give the interval of a value.

    Parameters
    ----------
    kind : {"share", "rate", "mean"}
        What numerator over denominator is.
    numerator, denominator : float
        The counts; NaN where they may not be shown.
    level : float
        Confidence level.

    Returns
    -------
    tuple of float
        Limits on the scale of the value; NaN where a count is missing, nobody is in the denominator, or for a mean.

    Notes
    -----
    Shares: Wilson's score interval (:func:`analysis.statistics.proportions.share_interval`). Rates: exact limits of a
    Poisson count (Garwood, Biometrika 1936;28:437), too narrow where one patient brings several events.

    Examples
    --------
    >>> [round(limit, 3) for limit in value_interval("rate", 10, 100)]  # 4.795 and 18.390 of 10
    [0.048, 0.184]
    >>> value_interval("rate", 0, 100)[0], value_interval("mean", 220, 10)
    (0.0, (nan, nan))
    """
    check_level(level)
    if kind == "mean" or not np.isfinite([numerator, denominator]).all() or denominator <= 0:
        return float("nan"), float("nan")
    if kind == "share":
        row = share_interval(numerator, denominator, level=level).iloc[0]
        return float(row["lower"]), float(row["upper"])
    tail = (1 - level) / 2
    lower = float(stats.gamma.ppf(tail, numerator)) if numerator > 0 else 0.0
    return lower / denominator, float(stats.gamma.isf(tail, numerator + 1)) / denominator


def target_verdict(target: float, better: Better, lower: float, upper: float) -> TargetVerdict:
    """Judge a target by the interval of the value.

    Parameters
    ----------
    target : float
        What is aimed at; NaN for nothing.
    better : {"higher", "lower", "neither"}
        Which way is better.
    lower, upper : float
        The interval of the value; NaN where there is none.

    Returns
    -------
    {"met", "missed", "unsure", "unknown", "none"}
        met: the whole interval lies on the good side, the target itself included; missed: the whole interval lies on the
        bad side; unsure: neither; unknown: there is no interval; none: no target, or neither side is better.

    Examples
    --------
    >>> [target_verdict(0.7, "higher", *limits) for limits in ((0.71, 0.8), (0.6, 0.8), (0.5, 0.69))]
    ['met', 'unsure', 'missed']
    >>> target_verdict(0.7, "lower", 0.5, 0.69), target_verdict(0.7, "neither", 0.5, 0.69)
    ('met', 'none')
    """
    if np.isnan(target) or better == "neither":
        return "none"
    if np.isnan([lower, upper]).any():
        return "unknown"
    good, bad = (lower >= target, upper < target) if better == "higher" else (upper <= target, lower > target)
    return "met" if good else "missed" if bad else "unsure"
