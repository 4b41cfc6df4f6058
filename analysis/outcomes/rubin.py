"""Rubin's rules: one answer from many imputed data sets."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.errors import ModelError
from analysis.outcomes.proportions import check_level

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

RUBIN = "Rubin's rules, t with the degrees of freedom of Barnard and Rubin"


def pool(estimates: ArrayLike, variances: ArrayLike, *, df: float = np.inf, level: float = 0.95) -> pd.DataFrame:
    """Pool the estimates of imputed data sets.

    Parameters
    ----------
    estimates : array_like, shape (imputations,) or (imputations, quantities)
        The estimate in each imputed data set.
    variances : array_like of the same shape
        Their squared standard errors.
    df : float
        Degrees of freedom that the data would have without gaps.
    level : float
        Confidence level.

    Returns
    -------
    pandas.DataFrame
        One row a quantity: estimate, std_error, df, lower, upper, missing_information (share of the variance that is
        due to the gaps), level, method.

    Raises
    ------
    ModelError
        Fewer than two imputations.

    Notes
    -----
    Rubin, Multiple Imputation for Nonresponse in Surveys, 1987: the variance is W + (1 + 1/M) B, W the mean variance
    within and B the variance between the M data sets. Degrees of freedom: Barnard & Rubin, Biometrika 1999;86:948.

    Examples
    --------
    >>> pooled = pool([2.0, 3.0, 4.0], [1.0, 1.0, 1.0])
    >>> round(pooled.std_error.item() ** 2, 4), round(pooled.df.item(), 2)
    (2.3333, 6.12)
    """
    check_level(level)
    from scipy.special import stdtrit

    q = np.asarray(estimates, dtype=float)
    u = np.asarray(variances, dtype=float)
    q, u = q.reshape(len(q), -1), u.reshape(len(u), -1)
    imputations = len(q)
    if imputations < 2:
        raise ModelError("Rubin's rules need two imputations or more.", what_to_do="Ask for at least 2 draws.")
    within, between = u.mean(axis=0), q.var(axis=0, ddof=1)
    total = within + (1 + 1 / imputations) * between
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(total > 0, (1 + 1 / imputations) * between / total, 0.0)
        of_draws = np.where(share > 0, (imputations - 1) / share**2, np.inf)
        of_data = np.inf if np.isinf(df) else (df + 1) / (df + 3) * df * (1 - share)
        freedom = np.maximum(1 / (1 / of_draws + 1 / of_data), 1e-6)
    half = np.where(np.isinf(freedom), stdtrit(1e12, (1 + level) / 2), stdtrit(freedom, (1 + level) / 2))
    estimate, error = q.mean(axis=0), np.sqrt(total)
    return pd.DataFrame(
        {
            "estimate": estimate,
            "std_error": error,
            "df": freedom,
            "lower": estimate - half * error,
            "upper": estimate + half * error,
            "missing_information": share,
            "level": level,
            "method": RUBIN,
        }
    )
