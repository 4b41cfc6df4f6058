"""Means and spread on the observed scale: of values once they are bounded and read off an instrument.

A value is drawn on an unbounded scale and then cut at the ends of the measure's scale and rounded to the instrument's
step, so that pain heaps at 0 and a score stops at 100. The mean and the standard deviation that a reader of the data
estimates are those after that. Here they are integrated, so that the truth holds for bounded measures too.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from synthetic_cohort.expected.courses import SeriesCourse, protocol_effects
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.scenarios.scenario_parts import PatientMix, Series

_AGE_POINTS = 24
_MOST_STEPS = 200
_BISECTIONS = 60


@dataclass(frozen=True, eq=False)
class Means:
    """Population means and spread of one series, by week.

    Parameters
    ----------
    weeks : array of shape (w,)
        Visit weeks of the scenario, whether the series is measured there or not.
    reference : array of shape (w,)
        Mean of the reference protocol on the observed scale.
    latent : array of shape (protocols, w)
        Mean on the unbounded scale that values are drawn on.
    observed : array of shape (protocols, w)
        Mean on the observed scale.
    sd : array of shape (w,)
        Standard deviation of observed values under the reference protocol, after cutting and rounding; what patients'
        own sessions add to the spread (``home.gain_of_full_adherence``) is not in it.
    """

    weeks: NDArray[np.float64]
    reference: NDArray[np.float64]
    latent: NDArray[np.float64]
    observed: NDArray[np.float64]
    sd: NDArray[np.float64]


@lru_cache(maxsize=256)
def series_means(scenario: Scenario, series: Series) -> Means:
    """Compute the population means of one series under every protocol.

    The latent mean of the reference is found by bisection, so that its observed mean is the one that the scenario states;
    effects of protocols are added on the latent scale and then carried to the observed scale.

    Notes
    -----
    The observed mean is an average over sex, age (24 quantile midpoints) and further covariates of the mean of a
    normal value after cutting and rounding: a sum of normal tail probabilities over the steps of the instrument where
    there are 200 steps or fewer, and otherwise the closed form of a normal cut at both ends (rounding to such fine
    steps leaves the mean as it is). The standard deviation comes from the mean square in the same way. Sites and
    therapists are taken as normal too.

    Examples
    --------
    >>> from synthetic_cohort import load_scenario
    >>> scenario = load_scenario("ligament reconstruction")
    >>> pain = next(series for series in scenario.series if series.measure == "pain")
    >>> means = series_means(scenario, pain)
    >>> bool(np.allclose(means.observed[0], means.reference, atol=1e-9))
    True
    >>> bool(means.latent[0, -1] < means.observed[0, -1])
    True
    """
    weeks = np.array(scenario.visit_weeks)
    course = SeriesCourse(series, weeks)
    reference = course.mean
    spread = np.sqrt(course.true_variance + course.error_sd**2)
    shares, weights = _covariate_grid(scenario, series)
    offsets = shares[:, None] * reference
    low = np.full(len(weeks), series.lowest) - 8 * spread
    high = np.full(len(weeks), series.highest) + 8 * spread
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        above = _mixture_mean(series, middle, spread, offsets, weights) > reference
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    middle = (low + high) / 2
    latent = middle + protocol_effects(scenario, series, weeks)
    observed = np.stack([_mixture_mean(series, one, spread, offsets, weights) for one in latent])
    squares = np.sum(weights[:, None] * _bounded_square(series, middle + offsets, spread), axis=0)
    mean = _mixture_mean(series, middle, spread, offsets, weights)
    return Means(weeks, reference, latent, observed, np.sqrt(squares - mean**2))


def cut_ages(mix: PatientMix, uniform: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn uniform numbers into ages in years, not rounded: normal, cut at the lowest and highest age."""
    low, high = (ndtr((end - mix.age_mean) / mix.age_sd) for end in (mix.age_lowest, mix.age_highest))
    return np.asarray(
        np.clip(mix.age_mean + mix.age_sd * ndtri(low + (high - low) * uniform), mix.age_lowest, mix.age_highest)
    )


def mean_age(mix: PatientMix) -> float:
    """Give the population mean of :func:`cut_ages`, years."""
    return float(cut_ages(mix, (np.arange(_AGE_POINTS) + 0.5) / _AGE_POINTS).mean())


def _covariate_grid(scenario: Scenario, series: Series) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Offsets (shares of the mean, centred) and weights of every combination of sex, age and covariates."""
    women = scenario.patients.women_share
    ages = cut_ages(scenario.patients, (np.arange(_AGE_POINTS) + 0.5) / _AGE_POINTS)
    by_sex = [(series.women_share, women), (0.0, 1 - women)]
    by_age = [(series.decade_share * age / 10, 1 / _AGE_POINTS) for age in ages]
    differences = {(name, level): share for name, level, share in series.covariate_shares}
    further = [
        [
            (differences.get((covariate.name, level), 0.0), share)
            for level, share in zip(covariate.levels, covariate.shares, strict=True)
        ]
        for covariate in scenario.covariates
        if any(name == covariate.name for name, _, _ in series.covariate_shares)
    ]
    axes = [by_sex, by_age if series.decade_share else [(0.0, 1.0)], *further]
    cells = list(product(*axes))
    shares = np.array([sum(offset for offset, _ in cell) for cell in cells])
    weights = np.array([np.prod([weight for _, weight in cell]) for cell in cells])
    return shares - np.sum(weights * shares), weights


def _mixture_mean(
    series: Series,
    latent: NDArray[np.float64],
    spread: NDArray[np.float64],
    offsets: NDArray[np.float64],
    weights: NDArray[np.float64],
) -> NDArray[np.float64]:
    means = latent + offsets
    return np.asarray(np.sum(weights[:, None] * _bounded_mean(series, means, spread), axis=0))


def _bounded_mean(series: Series, mean: NDArray[np.float64], spread: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of a normal value after cutting at the ends of the scale and rounding to the step."""
    steps = _steps(series)
    if len(steps):
        above = ndtr((mean[..., None] - (steps - series.step / 2)) / spread[..., None])
        return np.asarray(series.lowest + series.step * above.sum(axis=-1))
    low, high = (series.lowest - mean) / spread, (series.highest - mean) / spread
    inside = mean * (ndtr(high) - ndtr(low)) + spread * (_density(low) - _density(high))
    return np.asarray(inside + series.lowest * ndtr(low) + series.highest * ndtr(-high))


def _bounded_square(series: Series, mean: NDArray[np.float64], spread: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of the square of a normal value after cutting at the ends of the scale and rounding to the step."""
    steps = _steps(series)
    if len(steps):
        above = ndtr((mean[..., None] - (steps - series.step / 2)) / spread[..., None])
        return np.asarray(series.lowest**2 + np.sum(above * (steps**2 - (steps - series.step) ** 2), axis=-1))
    low, high = (series.lowest - mean) / spread, (series.highest - mean) / spread
    inside = (mean**2 + spread**2) * (ndtr(high) - ndtr(low)) + 2 * mean * spread * (_density(low) - _density(high))
    inside += spread**2 * (low * _density(low) - high * _density(high))
    return np.asarray(inside + series.lowest**2 * ndtr(low) + series.highest**2 * ndtr(-high))


def _steps(series: Series) -> NDArray[np.float64]:
    """Values of the instrument above its lowest; none where they are so many that rounding leaves the moments as they are."""
    count = round((series.highest - series.lowest) / series.step)
    return np.asarray(series.lowest + series.step * (np.arange(count if count <= _MOST_STEPS else 0) + 1.0))


def _density(z: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi))
