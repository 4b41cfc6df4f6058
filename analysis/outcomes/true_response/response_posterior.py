"""Posterior of each patient's true change under the joint normal model, drawn."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.outcomes.missing.gaps import patterns
from analysis.outcomes.missing.weekly_model import WeeklyModel
from analysis.outcomes.true_response.reaching import Reach
from analysis.progress import in_portions

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Posterior:
    """What the normal model gives for each patient, and the shares of responders in each draw.

    Attributes
    ----------
    expected, spread, probability : ndarray, shape (n,)
        Mean and standard deviation of the true improvement (or value), and the chance that it reaches the threshold.
    shares : ndarray, shape (draws, protocols)
        Share of responders of each protocol.
    clipped : bool
        Whether a part of the true variation came out below 0.
    """

    expected: Floats
    spread: Floats
    probability: Floats
    shares: Floats
    clipped: bool


def normal_posterior(
    model: WeeklyModel,
    reach: Reach,
    error: Floats,
    *,
    draws: int,
    seed: int,
    tell: Callable[[int, int], None] | None = None,
) -> Posterior:
    """Draw parameters of the joint model, and from each the posterior of the true change.

    Parameters
    ----------
    model : WeeklyModel
        The joint model of all visits.
    reach : Reach
        What the true values must reach.
    error : ndarray, shape (m,)
        Variance of the error of one measurement at each week.
    draws, seed : int
        Draws of the parameters, and the seed.
    tell : callable, optional
        Told how many draws are done.

    Returns
    -------
    Posterior
        Means over the draws.

    Examples
    --------
    >>> from analysis.outcomes.missing.weekly_model import fit_weekly
    >>> from analysis.outcomes.true_response.reaching import AtLeast
    >>> from synthetic_cohort import generate_cohort
    >>> model = fit_weekly(generate_cohort(patients=120, seed=1).observed, "ikdc")
    >>> contrast = np.zeros((len(model.weeks), 1))
    >>> contrast[[0, -1]] = [-1], [1]
    >>> found = normal_posterior(model, AtLeast(contrast, 15.0), np.full(len(model.weeks), 25.0), draws=5, seed=1)
    >>> found.probability.shape, found.shares.shape
    ((120,), (5, 3))
    """
    rng = np.random.default_rng(seed)
    design, kind = model.design(), model.kinds[1]
    groups = patterns(model.values)
    order = np.concatenate([rows for _, rows in groups])
    ends = np.cumsum([len(rows) for _, rows in groups])
    filled, kind, protocol = np.nan_to_num(model.values)[order], kind[order], model.protocol[order]
    n, protocols = len(order), len(model.protocols)
    size = np.bincount(protocol, minlength=protocols)
    first, second, chance = np.zeros(n), np.zeros(n), np.zeros(n)
    shares = np.empty((draws, protocols))
    clipped = False
    parameters = model.draws(draws, rng)
    contrasts = reach.contrasts
    k = contrasts.shape[1]
    here, around = np.empty((n, k)), np.empty((n, k, k))
    for begin, end in in_portions(draws, 10, "Draws of the posterior", tell):
        for draw in range(begin, end):
            coefficients, V = next(parameters)
            true, below = true_covariance(V, error)
            clipped |= below
            mean = design @ coefficients
            for (seen, rows), stop in zip(groups, ends, strict=True):
                one = slice(stop - len(rows), stop)
                pull = np.zeros(contrasts.shape)
                pull[seen] = np.linalg.solve(V[np.ix_(seen, seen)], true[seen] @ contrasts)
                here[one] = (mean @ (contrasts - pull))[kind[one]] + filled[one] @ pull
                around[one] = (contrasts - pull).T @ true @ contrasts
            expected, square, p = reach.judge(here, around, rng)
            first += expected
            second += square
            chance += p
            shares[draw] = np.bincount(protocol, weights=rng.random(n) < p, minlength=protocols) / size
    back = np.argsort(order)
    first, second, chance = first[back], second[back], chance[back]
    mean = first / draws
    spread = np.sqrt(np.maximum(second / draws - mean**2, 0.0))
    return Posterior(mean, spread, chance / draws, shares, clipped)


def true_covariance(V: Floats, error: Floats) -> tuple[Floats, bool]:
    """Give the covariance of true values: that of the observed ones less the error, lifted to a possible one.

    ``V``, shape (m, m), is of observed values, ``error``, shape (m,), the variance of one measurement's error at each week. Whether
    more than 2 % of the largest part came out below 0 is given too.

    Examples
    --------
    >>> true_covariance(np.array([[5.0, 2.0], [2.0, 5.0]]), np.array([1.0, 1.0]))[0].tolist()
    [[4.0, 2.0], [2.0, 4.0]]
    """
    values, vectors = np.linalg.eigh(V - np.diag(error))
    if values.min() >= 0:
        return V - np.diag(error), False
    return (vectors * np.maximum(values, 0.0)) @ vectors.T, bool(values.min() < -0.02 * values.max())
