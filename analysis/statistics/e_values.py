"""E-values: how strong a factor that nobody wrote down would have to be to explain a difference away."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]

#: Of a standardised difference to the logarithm of a risk ratio (Chinn 2000; VanderWeele 2017).
PER_STANDARD_DEVIATION = 0.91
#: Standard errors on each side of 95 % limits on that scale, as published: 0.91 times 1.96, rounded.
_PUBLISHED_95 = 1.78


def e_value(ratio: ArrayLike) -> Floats:
    """Give the E-value of risk ratios.

    Parameters
    ----------
    ratio : array_like
        Risk ratios; those below 1 are turned over.

    Returns
    -------
    ndarray
        The least risk ratio with which an unlisted factor would have to go together with both the group and the outcome, beyond
        what was listed, to make the true ratio 1; missing where a ratio is.

    Notes
    -----
    VanderWeele and Ding, Ann Intern Med 2017;167:268: RR + sqrt(RR (RR - 1)).

    Examples
    --------
    >>> e_value([3.9, 0.8]).round(3).tolist()
    [7.263, 1.809]
    """
    given = np.asarray(ratio, dtype=float)
    away = np.maximum(given, 1 / given)
    return np.asarray(away + np.sqrt(away * (away - 1)))


def e_value_of_limit(ratio: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> Floats:
    """Give the E-value of the limit nearer to 1, which is 1 where the interval holds it.

    Parameters
    ----------
    ratio, lower, upper : array_like
        Risk ratios and their limits.

    Returns
    -------
    ndarray

    Examples
    --------
    >>> e_value_of_limit([3.9, 1.2], [1.8, 0.9], [8.7, 1.6]).round(3).tolist()
    [3.0, 1.0]
    """
    middle, low, high = (np.asarray(one, dtype=float) for one in (ratio, lower, upper))
    nearer = np.where(middle >= 1, np.maximum(low, 1.0), np.minimum(high, 1.0))
    return np.where(np.isnan(low) | np.isnan(high), np.nan, e_value(nearer))


def bias_factor(strength: ArrayLike, other: ArrayLike) -> Floats:
    """Give by how much at most a factor of these two strengths changes a risk ratio (Ding and VanderWeele 2016).

    Parameters
    ----------
    strength, other : array_like
        Risk ratios of the factor with the group, and with the outcome.

    Returns
    -------
    ndarray

    Examples
    --------
    >>> round(float(bias_factor(2.0, 3.0)), 3)
    1.5
    """
    one, two = np.asarray(strength, dtype=float), np.asarray(other, dtype=float)
    return np.asarray(one * two / (one + two - 1))


def e_values_of_differences(standardised: ArrayLike, std_error: ArrayLike, *, level: float = 0.95) -> pd.DataFrame:
    """Give E-values of differences in standard deviations.

    Parameters
    ----------
    standardised, std_error : array_like
        Differences and their standard errors, in standard deviations of the outcome.
    level : float
        Confidence level of the limit.

    Returns
    -------
    pandas.DataFrame
        e_value, e_value_limit (of the limit nearer to no difference).

    Notes
    -----
    The risk ratio is exp(0.91 d), its 95 % limits exp(0.91 d -+ 1.78 SE) (VanderWeele and Ding 2017, appendix): an
    approximation, for an outcome that is about normal, and a ratio of being above its middle.

    Examples
    --------
    >>> e_values_of_differences([0.5], [0.15]).round(3).to_numpy().tolist()
    [[2.529, 1.706]]
    """
    size, error = (
        np.atleast_1d(np.asarray(standardised, dtype=float)),
        np.atleast_1d(np.asarray(std_error, dtype=float)),
    )
    wide = _PUBLISHED_95 if level == 0.95 else PER_STANDARD_DEVIATION * float(ndtri((1 + level) / 2))
    middle, half = PER_STANDARD_DEVIATION * size, wide * error
    ratio, lower, upper = np.exp(middle), np.exp(middle - half), np.exp(middle + half)
    return pd.DataFrame({"e_value": e_value(ratio), "e_value_limit": e_value_of_limit(ratio, lower, upper)})


def ratio_of_common_odds(odds_ratio: ArrayLike) -> Floats:
    """Give the risk ratio that an odds ratio of a common outcome stands for: its square root (VanderWeele 2017).

    Examples
    --------
    >>> round(float(e_value(ratio_of_common_odds(2.5))), 5)
    2.53971
    """
    return np.sqrt(np.asarray(odds_ratio, dtype=float))


def ratio_of_common_hazards(hazard_ratio: ArrayLike) -> Floats:
    """Give the risk ratio that a hazard ratio of a common outcome stands for (VanderWeele 2017).

    Examples
    --------
    >>> round(float(ratio_of_common_hazards(1.6)), 5)
    1.38397
    """
    hazard = np.asarray(hazard_ratio, dtype=float)
    return np.asarray((1 - 0.5 ** np.sqrt(hazard)) / (1 - 0.5 ** np.sqrt(1 / hazard)))
