"""Tables of expected responders: shares by protocol, their differences, and how often a raw answer would be wrong."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def expected_responders(
    protocols: Sequence[str],
    protocol: NDArray[np.int64],
    probability: Floats,
    shares: Floats,
    *,
    level: float,
    method: str,
) -> pd.DataFrame:
    """Give the responders expected in each protocol.

    ``protocol`` is the number of each patient's protocol and ``probability`` that of response, shapes (n,); ``shares`` has shape
    (draws, protocols), and the intervals are its quantiles. The columns are protocol, n, expected, share, lower, upper, level,
    method.

    Examples
    --------
    >>> shares = np.array([[0.5, 1.0], [0.5, 0.0]])
    >>> table = expected_responders(
    ...     ["usual", "early"], np.array([0, 0, 1]), np.array([0.2, 0.8, 0.5]), shares, level=0.5, method="draws"
    ... )
    >>> table[["n", "expected", "share"]].to_numpy().tolist()
    [[2.0, 1.0, 0.5], [1.0, 0.5, 0.5]]
    """
    size = np.bincount(protocol, minlength=len(protocols))
    expected = np.bincount(protocol, weights=probability, minlength=len(protocols))
    lower, upper = np.quantile(shares, [(1 - level) / 2, (1 + level) / 2], axis=0)
    return pd.DataFrame(
        {
            "protocol": list(protocols),
            "n": size,
            "expected": expected,
            "share": expected / size,
            "lower": lower,
            "upper": upper,
            "level": level,
            "method": method,
        }
    )


def differences_of_shares(table: pd.DataFrame, shares: Floats, reference: str) -> pd.DataFrame:
    """Give the difference of every protocol's expected share from that of the reference.

    ``table`` and ``shares`` are as of :func:`expected_responders`; the columns are protocol, reference, n, reference_n, difference,
    lower, upper, level, method.

    Examples
    --------
    >>> shares = np.array([[0.4, 0.6], [0.4, 0.8]])
    >>> table = expected_responders(["a", "b"], np.array([0, 1]), np.array([0.4, 0.7]), shares, level=0.5, method="draws")
    >>> differences_of_shares(table, shares, "a")[["difference", "lower", "upper"]].round(2).to_numpy().tolist()
    [[0.3, 0.25, 0.35]]
    """
    base = table["protocol"].tolist().index(reference)
    others = [k for k in range(len(table)) if k != base]
    level, method = float(table["level"].iloc[0]), str(table["method"].iloc[0])
    gaps = shares[:, others] - shares[:, [base]]
    lower, upper = np.quantile(gaps, [(1 - level) / 2, (1 + level) / 2], axis=0)
    share, n = table["share"].to_numpy(), table["n"].to_numpy()
    return pd.DataFrame(
        {
            "protocol": table["protocol"].to_numpy()[others],
            "reference": reference,
            "n": n[others],
            "reference_n": n[base],
            "difference": share[others] - share[base],
            "lower": lower,
            "upper": upper,
            "level": level,
            "method": method,
        }
    )


def raw_disagreement(patients: pd.DataFrame) -> pd.DataFrame:
    """Count how often the yes or no of one measured change disagrees with the probability.

    ``patients`` has protocol, probability and raw (True, False or missing); the columns are protocol, n, raw_responders,
    expected_responders, raw_yes_unlikely, raw_no_likely, expected_wrong.

    Examples
    --------
    >>> patients = pd.DataFrame({"protocol": "usual", "probability": [0.9, 0.3], "raw": [True, True]})
    >>> raw_disagreement(patients)[["raw_responders", "raw_yes_unlikely", "expected_wrong"]].round(2).to_numpy().tolist()
    [[2.0, 1.0, 0.4]]
    """
    judged = patients.dropna(subset=["raw"])
    yes, chance = judged["raw"].astype(bool), judged["probability"]
    marks = judged[["protocol"]].assign(
        n=1,
        raw_responders=yes.astype("int64"),
        expected_responders=chance,
        raw_yes_unlikely=(yes & (chance < 0.5)).astype("int64"),
        raw_no_likely=(~yes & (chance >= 0.5)).astype("int64"),
        expected_wrong=np.where(yes, 1 - chance, chance),
    )
    table = marks.groupby("protocol", observed=False).sum().reset_index().astype({"protocol": "str"})
    return table.assign(expected_wrong=table["expected_wrong"] / table["n"].where(table["n"] > 0))
