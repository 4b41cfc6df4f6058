"""How far sites lie from what is expected of them, in log odds: likelihood integrated exactly, shrunk to the whole."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import integrate, interpolate, optimize
from scipy.special import expit, logit

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

#: Scale of the half-normal prior of the standard deviation between sites, in log odds; grid that it is averaged over.
PRIOR, _WIDEST, _GRID = 0.5, 3.0, 300
METHOD = "Bayesian, exact likelihood, normal log odds, half-normal prior of the spread between sites"
#: Log odds of a site against the whole: places where the likelihood is computed, and (by splines) integrated.
_KNOTS, _PLACES = np.linspace(-10, 10, 401), np.linspace(-10, 10, 4001)
_PATIENTS_AT_ONCE = 5_000


def shrink(
    table: pd.DataFrame, chances: Sequence[Floats], share: float, *, level: float = 0.95
) -> tuple[pd.DataFrame, float]:
    """Add ratio, adjusted share and shrunk share to observed and expected counts.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a site: site, n, observed, expected.
    chances : sequence of ndarray
        For each site what is expected of each of its patients, between 0 and 1.
    share : float
        Outcome of the whole, between 0 and 1.
    level : float
        Level of the intervals.

    Returns
    -------
    tuple of (pandas.DataFrame, float)
        site, n, observed, expected, ratio, adjusted, estimate, lower, upper, shrinkage, tail, level, method, as in
        :class:`analysis.quarter.sites.case_mix.CaseMix`; and the standard deviation between sites in log odds, its
        posterior mean.

    Notes
    -----
    A site moves the log odds of all its patients alike. The likelihood of that move is binomial, computed patient by
    patient and integrated on a grid of -10 to 10, in steps of 0.005; the move is normal about 0, and the standard
    deviation is averaged over (0 to 3) with a half-normal prior of scale 0.5 (Röver et al., Res Synth Methods
    2021;12:448, from memory). Estimate and limits are quantiles of the posterior. Adjusted, without shrinkage: the move
    that makes the patients of the site reach what was observed.

    Examples
    --------
    >>> import pandas as pd
    >>> sites = pd.DataFrame({"site": ["a", "b"], "n": [50, 50], "observed": [20, 30], "expected": [25.0, 25.0]})
    >>> found, between = shrink(sites, [np.full(50, 0.5)] * 2, 0.5)
    >>> found[["ratio", "adjusted", "estimate"]].round(2).values.tolist()
    [[0.8, 0.4, 0.46], [1.2, 0.6, 0.54]]
    """
    observed = table["observed"].to_numpy(dtype=float)
    usual = [logit(np.clip(one, 1e-12, 1 - 1e-12)) for one in chances]
    likelihood = np.array([_likelihood(*site) for site in zip(observed, usual, strict=True)])
    spread, weight, density = _posterior(likelihood)
    middle, lower, upper = (_quantile(density, tail) for tail in (0.5, (1 - level) / 2, (1 + level) / 2))
    information = np.array(
        [(expit(one + move) * expit(-one - move)).sum() for one, move in zip(usual, middle, strict=True)]
    )
    kept = spread**2 / (spread**2 + 1 / information[:, None])
    expected = table["expected"].to_numpy(dtype=float)
    centre = logit(share)
    found = table[["site", "n", "observed", "expected"]].assign(
        ratio=np.divide(observed, expected, out=np.full(len(table), np.nan), where=expected > 0),
        adjusted=[expit(centre + _move(*site)) for site in zip(observed, usual, strict=True)],
        estimate=expit(centre + middle),
        lower=expit(centre + lower),
        upper=expit(centre + upper),
        shrinkage=1 - kept @ weight,
        tail=_two_tails(density),
        level=level,
        method=METHOD,
    )
    return found, float(spread @ weight)


def scale_expected(n: ArrayLike, expected: ArrayLike, observed: float) -> Floats:
    """Move the log odds of what is expected at each site, all alike, until the sum is what was observed.

    Parameters
    ----------
    n, expected : array_like
        Patients of each site, and how many of them are expected to reach the outcome.
    observed : float
        Patients of all sites who reached it; above 0 and below all.

    Returns
    -------
    ndarray
        Expected counts, above 0 and below n.

    Examples
    --------
    >>> scale_expected([100, 100], [90.0, 95.0], 190).round(2).tolist()
    [93.29, 96.71]
    """
    patients = np.asarray(n, dtype=float)
    usual = logit(np.clip(np.asarray(expected, dtype=float) / patients, 1e-12, 1 - 1e-12))
    move = optimize.brentq(lambda by: float((patients * expit(usual + by)).sum()) - observed, -60, 60)
    return np.asarray(patients * expit(usual + move), dtype=float)


def _likelihood(observed: float, usual: Floats) -> Floats:
    """Likelihood of a site's move at the places of the grid, relative to its largest."""
    below = np.zeros(len(_KNOTS))
    for start in range(0, len(usual), _PATIENTS_AT_ONCE):
        below += np.logaddexp(0.0, usual[start : start + _PATIENTS_AT_ONCE, None] + _KNOTS).sum(axis=0)
    log = interpolate.CubicSpline(_KNOTS, observed * _KNOTS - below)(_PLACES)
    return np.asarray(np.exp(log - log.max()), dtype=float)


def _posterior(likelihood: Floats) -> tuple[Floats, Floats, Floats]:
    """Standard deviations between sites, their weights, and the density of each site's move."""
    spread = (np.arange(_GRID) + 0.5) * _WIDEST / _GRID
    prior = np.exp(-0.5 * (_PLACES / spread[:, None]) ** 2)
    prior /= prior.sum(axis=1, keepdims=True)
    marginal = likelihood @ prior.T
    with np.errstate(divide="ignore"):
        log = np.log(marginal).sum(axis=0) - 0.5 * (spread / PRIOR) ** 2
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    share = np.divide(weight, marginal, out=np.zeros_like(marginal), where=marginal > 0)
    return spread, weight, likelihood * (share @ prior)


def _quantile(density: Floats, tail: float) -> Floats:
    below = integrate.cumulative_trapezoid(density, _PLACES, axis=1, initial=0)
    return np.array([np.interp(tail * one[-1], one, _PLACES) for one in below])


def _two_tails(density: Floats) -> Floats:
    """Give twice the smaller part of each density on one side of the whole."""
    below = integrate.cumulative_trapezoid(density, _PLACES, axis=1, initial=0)
    part = np.array([np.interp(0.0, _PLACES, one) / one[-1] for one in below])
    return np.asarray(2 * np.minimum(part, 1 - part), dtype=float)


def _move(observed: float, usual: Floats) -> float:
    """Move in log odds that makes the expected count the observed one."""
    if observed <= 0 or observed >= len(usual):
        return -np.inf if observed <= 0 else np.inf
    return float(optimize.brentq(lambda move: expit(usual + move).sum() - observed, -60, 60))
