"""Rubin's rules: one answer from many imputed data sets."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from analysis.errors import ModelError
from analysis.statistics.combined_limits import difference_limits, share_limits
from analysis.statistics.proportions import check_level

#: Fewer degrees of freedom are none: the interval is without end, and its quantile can still be computed.
_LEAST_DF = 1e-6
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
        freedom = np.maximum(1 / (1 / of_draws + 1 / of_data), _LEAST_DF)
    half = _quantile(freedom, level)
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


def pool_shares(
    differences: ArrayLike,
    variances: ArrayLike,
    shares: ArrayLike,
    size: ArrayLike,
    base: int,
    *,
    df: float = np.inf,
    level: float = 0.95,
) -> pd.DataFrame:
    """Pool differences of shares, with limits between -1 and 1.

    Parameters
    ----------
    differences, variances : array_like, shape (imputations, groups - 1)
        Differences of the share of each group but the base from the base's, and their squared standard errors.
    shares : array_like, shape (imputations, groups)
        The shares of all groups.
    size : array_like, shape (groups,)
        Patients of each.
    base : int
        The group compared with.
    df, level
        As in :func:`pool`.

    Returns
    -------
    pandas.DataFrame
        As of :func:`pool`.

    Notes
    -----
    Score limits of both shares are combined (:mod:`analysis.statistics.combined_limits`). A group counts as so many patients
    as the gaps leave of it, in the way of Lott and Reiter (Am Stat 2020;74:109, from memory): its size times one minus
    the missing information of the difference.

    Examples
    --------
    >>> pooled = pool_shares([[0.8], [0.9]], [[0.02], [0.01]], [[0.1, 0.9], [0.1, 1.0]], [10, 10], 0)
    >>> bool(pooled["upper"].item() <= 1 < pool([[0.8], [0.9]], [[0.02], [0.01]])["upper"].item())
    True
    """
    pooled = pool(differences, variances, df=df, level=level)
    share, among = np.mean(np.asarray(shares, dtype=float), axis=0), np.asarray(size, dtype=float)
    others = [k for k in range(len(share)) if k != base]
    left = (1 - pooled["missing_information"]).to_numpy()
    quantile = _quantile(pooled["df"].to_numpy(), level)
    own = share_limits(share[others], among[others] * left, quantile=quantile)
    reference = share_limits(share[base], among[base] * left, quantile=quantile)
    lower, upper = difference_limits(share[others], own, share[base], reference)
    return pooled.assign(lower=lower, upper=upper)


def _quantile(df: ArrayLike, level: float) -> NDArray[np.float64]:
    from scipy.special import stdtrit

    return np.asarray(stdtrit(np.minimum(df, 1e12), (1 + level) / 2), dtype=float)
