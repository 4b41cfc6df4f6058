"""A mean of patients with its t interval; none where fewer than two patients carry it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

MEAN = "mean of patients, t"


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
    from scipy import stats

    groups = table.groupby(list(by), observed=True)[value]
    found = pd.DataFrame({"n": groups.count(), "mean": groups.mean()})
    several = found["n"] > 1
    found["std_error"] = (groups.std() / np.sqrt(found["n"].where(several))).astype("float64")
    found["df"] = (found["n"] - 1.0).where(several)
    half = stats.t.ppf((1 + level) / 2, found["df"].to_numpy()) * found["std_error"]
    found = found.assign(lower=found["mean"] - half, upper=found["mean"] + half, level=level, method=MEAN)
    found["median"], found["lower_quartile"] = groups.median(), groups.quantile(0.25)
    return found.assign(upper_quartile=groups.quantile(0.75)).reset_index()
