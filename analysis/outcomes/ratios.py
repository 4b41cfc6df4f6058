"""Ratios and odds ratios of responder shares with intervals that survive an empty cell."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from analysis.outcomes.proportions import check_level

if TYPE_CHECKING:
    from collections.abc import Sequence

LOGARITHM = "logarithm (Katz; Woolf)"
HALVES = "logarithm with one half added to every cell"


def share_ratios(table: pd.DataFrame, reference: str, protocols: Sequence[str], *, level: float = 0.95) -> pd.DataFrame:
    """Give the ratio and the odds ratio of every protocol's share to the reference's.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a protocol, with columns protocol, responders, n.
    reference : str
        The protocol compared with.
    protocols : sequence of str
        All protocols.
    level : float
        Confidence level.

    Returns
    -------
    pandas.DataFrame
        protocol, reference, ratio, ratio_lower, ratio_upper, odds_ratio, odds_ratio_lower, odds_ratio_upper, level,
        method. Missing where a denominator is empty or nobody (or everybody) in both responded; infinite where nobody
        in the reference did.

    Notes
    -----
    Intervals on the logarithm (Katz, Biometrics 1978;34:469; Woolf, Ann Hum Genet 1955;19:251) by statsmodels; where a
    cell is empty, one half is added to every cell, and method says so.

    Examples
    --------
    >>> counts = pd.DataFrame({"protocol": ["sugar", "licorice"], "responders": [42, 22], "n": [116, 117]})
    >>> share_ratios(counts, "sugar", ["sugar", "licorice"]).round(3).iloc[0, 2:5].tolist()
    [0.519, 0.332, 0.812]
    """
    check_level(level)
    by_protocol = {
        str(name): (int(yes), int(n))
        for name, yes, n in zip(table["protocol"], table["responders"], table["n"], strict=True)
    }
    rows = []
    for name in protocols:
        if name == reference:
            continue
        row: dict[str, object] = {"protocol": name, "reference": reference}
        rows.append(row | _one_ratio(*by_protocol[name], *by_protocol[reference], level=level))
    columns = ["ratio", "ratio_lower", "ratio_upper", "odds_ratio", "odds_ratio_lower", "odds_ratio_upper"]
    return pd.DataFrame(rows, columns=["protocol", "reference", *columns, "level", "method"])


def _one_ratio(yes: int, n: int, other_yes: int, other_n: int, *, level: float) -> dict[str, object]:
    from statsmodels.stats.proportion import confint_proportions_2indep

    row: dict[str, object] = {"level": level, "method": ""}
    if not n or not other_n:
        return row
    share, other = yes / n, other_yes / other_n
    row["ratio"] = _divide(share, other)
    row["odds_ratio"] = _divide(yes * (other_n - other_yes), other_yes * (n - yes))
    empty = min(yes, n - yes, other_yes, other_n - other_yes) == 0
    row["method"] = HALVES if empty else LOGARITHM
    for what, compare, method in (("ratio", "ratio", "log"), ("odds_ratio", "odds-ratio", "logit")):
        lower, upper = confint_proportions_2indep(
            yes,
            n,
            other_yes,
            other_n,
            compare=compare,
            method=f"{method}-adjusted" if empty else method,
            alpha=1 - level,
        )
        known = lower < upper and not math.isnan(float(str(row[what])))
        row |= {
            f"{what}_lower": float(lower) if known else math.nan,
            f"{what}_upper": float(upper) if known else math.nan,
        }
    return row


def _divide(above: float, below: float) -> float:
    if below:
        return above / below
    return math.inf if above else math.nan
