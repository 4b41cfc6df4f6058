"""Means of patients with t intervals, and differences of two by Welch; none where fewer than two patients carry one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

MEAN = "mean of patients, t"


def half_width(std_error: Any, df: Any, *, level: float) -> Any:
    """Give how far the limits of a t interval lie from the estimate.

    Parameters
    ----------
    std_error : float or array
        Standard error of the estimate.
    df : float or array
        Degrees of freedom.
    level : float
        Confidence level.

    Returns
    -------
    float or array
        Missing where an error is, or where no degree of freedom is left.

    Examples
    --------
    >>> round(float(half_width(2.0, 10, level=0.95)), 3)
    4.456
    """
    from scipy import stats

    return stats.t.ppf((1 + level) / 2, df) * std_error


def welch(error: float, n: int, other_error: float, other_n: int) -> tuple[float, float]:
    """Give standard error and degrees of freedom of a difference of two groups whose spreads may differ.

    Parameters
    ----------
    error, other_error : float
        Standard error of the mean of each group.
    n, other_n : int
        Patients of each group.

    Returns
    -------
    tuple of float
        Standard error and degrees of freedom (Welch 1947); both missing where an error is, or where neither group varies.

    Examples
    --------
    >>> [round(one, 2) for one in welch(0.6, 10, 0.8, 12)]
    [1.0, 19.37]
    """
    parts = np.array([error**2, other_error**2])
    if not parts.sum() > 0:
        return float("nan"), float("nan")
    return float(np.sqrt(parts.sum())), float(parts.sum() ** 2 / (parts**2 / (np.array([n, other_n]) - 1)).sum())


def describe_by(table: pd.DataFrame, by: Sequence[str], value: str, *, level: float) -> pd.DataFrame:
    """Describe a number in groups of patients.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a patient of a group: the columns ``by`` and ``value``, missing values allowed.
    by : sequence of str
        Columns that make the groups.
    value : str
        The number.
    level : float
        Confidence level of the mean.

    Returns
    -------
    pandas.DataFrame
        The columns ``by``, n (patients with a value), mean, std_error, df, lower, upper, level, method, median,
        lower_quartile, upper_quartile. Missing where nobody has a value; without error and limits for one patient.

    Examples
    --------
    >>> table = pd.DataFrame({"protocol": ["a", "a", "b"], "minutes": [1.0, 3.0, 5.0]})
    >>> describe_by(table, ["protocol"], "minutes", level=0.95)[["n", "mean", "upper"]].round(2)
       n  mean  upper
    0  2   2.0  14.71
    1  1   5.0    NaN
    """
    groups = table.groupby(list(by), observed=True)[value]
    found = pd.DataFrame({"n": groups.count(), "mean": groups.mean()})
    several = found["n"] > 1
    found["std_error"] = (groups.std() / np.sqrt(found["n"].where(several))).astype("float64")
    found["df"] = (found["n"] - 1.0).where(several)
    half = half_width(found["std_error"].to_numpy(), found["df"].to_numpy(), level=level)
    found = found.assign(lower=found["mean"] - half, upper=found["mean"] + half, level=level, method=MEAN)
    found["median"], found["lower_quartile"] = groups.median(), groups.quantile(0.25)
    return found.assign(upper_quartile=groups.quantile(0.75)).reset_index()


def compare_means(means: pd.DataFrame, reference: str, *, level: float) -> pd.DataFrame:
    """Compare the mean of every protocol with the reference's, by :func:`welch`.

    Parameters
    ----------
    means : pandas.DataFrame
        One row a protocol: protocol, n, mean, std_error.
    reference : str
        The protocol that the others are compared with.
    level : float
        Confidence level.

    Returns
    -------
    pandas.DataFrame
        protocol, reference, n, reference_n, estimate, std_error, df, lower, upper, level.

    Examples
    --------
    >>> means = pd.DataFrame({"protocol": ["a", "b"], "n": [10, 12], "mean": [5.0, 7.0], "std_error": [0.6, 0.8]})
    >>> compare_means(means, "a", level=0.95)[["estimate", "lower", "upper"]].round(2).iloc[0].tolist()
    [2.0, -0.09, 4.09]
    """
    base = means[means["protocol"] == reference].iloc[0]
    rows = []
    for _, one in means[means["protocol"] != reference].iterrows():
        error, df = welch(one["std_error"], one["n"], base["std_error"], base["n"])
        gap, half = one["mean"] - base["mean"], half_width(error, df, level=level)
        rows.append((one["protocol"], reference, one["n"], base["n"], gap, error, df, gap - half, gap + half, level))
    numbers = ["n", "reference_n", "estimate", "std_error", "df", "lower", "upper", "level"]
    return pd.DataFrame(rows, columns=["protocol", "reference", *numbers])
