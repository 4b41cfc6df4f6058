"""Differences in standard deviations (Hedges' g), with intervals."""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, ndtri

METHOD = "Hedges' g; normal, delta method"


def small_sample_factor(df: ArrayLike) -> NDArray[np.float64]:
    """Give the exact factor that takes the bias of small samples out of a standardised difference.

    Hedges, J Educ Stat 1981;6:107; it is close to 1 - 3 / (4 df - 1).

    Examples
    --------
    >>> small_sample_factor(98).round(4).item()
    0.9923
    """
    half = np.asarray(df, dtype=float) / 2
    return np.asarray(np.exp(gammaln(half) - gammaln(half - 0.5)) / np.sqrt(half))


def standardised_difference(
    difference: ArrayLike, std_error: ArrayLike, spread: ArrayLike, df: ArrayLike, *, level: float = 0.95
) -> pd.DataFrame:
    """Give differences of means in standard deviations.

    Parameters
    ----------
    difference, std_error : array_like
        In the unit of the measure; adjusted ones too.
    spread, df : array_like
        The standard deviation they are divided by, and its degrees of freedom.
    level : float
        Confidence level.

    Returns
    -------
    pandas.DataFrame
        standardised, standardised_std_error, standardised_lower, standardised_upper, level, method; missing where the standard
        deviation is 0 or not known.

    Notes
    -----
    The variance is that of the difference over the squared standard deviation, and g**2 / (2 df) for the standard deviation
    being estimated (Borenstein, Hedges, Higgins & Rothstein, Introduction to Meta-Analysis, 2009, chapter 4).

    Examples
    --------
    >>> found = standardised_difference(3.0, 5.0249 * (1 / 50 + 1 / 50) ** 0.5, 5.0249, 98)
    >>> found["standardised"].round(4).item()
    0.5924
    """
    size, error, sd, freedom = (
        np.atleast_1d(np.asarray(one, dtype=float)) for one in (difference, std_error, spread, df)
    )
    usable = np.where((sd > 0) & (freedom > 1), sd, np.nan)
    raw, factor = size / usable, small_sample_factor(np.where(freedom > 1, freedom, np.nan))
    own_error = factor * np.sqrt((error / usable) ** 2 + raw**2 / (2 * freedom))
    half = float(ndtri((1 + level) / 2)) * own_error
    g = factor * raw
    return pd.DataFrame(
        {"standardised": g, "standardised_std_error": own_error, "standardised_lower": g - half, "standardised_upper": g + half,
         "level": level, "method": METHOD}
    )  # fmt: skip
