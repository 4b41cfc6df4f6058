"""Each patient's curve: true values by week, and what an instrument with its error would read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from synthetic_cohort.expected.courses import SeriesCourse
from synthetic_cohort.expected.expectation import mean_age, series_means
from synthetic_cohort.patients.patients import Patients
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.scenarios.scenario_parts import Series
from synthetic_cohort.streams import stream

_TRUE_DECIMALS = 6


@dataclass(frozen=True, eq=False)
class Traits:
    """What a patient carries through every measure, standard normal, independent of one another.

    Parameters
    ----------
    general, strength, recovery : array of shape (n,)
        General condition (levels of all measures), strength (levels of both limbs' torque), and recovery (the fall and
        the regain of all measures; home sessions may follow it).
    """

    general: NDArray[np.float64]
    strength: NDArray[np.float64]
    recovery: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Curves:
    """Values of every series at every visit week.

    Parameters
    ----------
    weeks : array of shape (w,)
        Visit weeks.
    true : list of array of shape (n, w)
        True value of each series: within the ends of its scale, without measurement error.
    measured : list of array of shape (n, w)
        What the instrument reads: with error, cut at the ends of the scale, in its steps.
    sites, therapists : pandas.DataFrame
        True effects: site (or therapist), measure, limb, effect.
    """

    weeks: NDArray[np.float64]
    true: list[NDArray[np.float64]]
    measured: list[NDArray[np.float64]]
    sites: pd.DataFrame
    therapists: pd.DataFrame


def draw_traits(n_patients: int, seed: int) -> Traits:
    """Draw the traits of the patients from the stream of each."""
    draws = (stream(seed, "traits", name).standard_normal(n_patients) for name in ("general", "strength", "recovery"))
    return Traits(*draws)


def draw_curves(scenario: Scenario, patients: Patients, traits: Traits, gain: NDArray[np.float64], seed: int) -> Curves:
    """Draw the true and the measured value of every series at every visit week.

    ``gain``, shape (n,), is what the patient's own home sessions add to the primary measure at the primary week, compared with
    the mean of the patient's protocol; its course over weeks is that of the regain.

    Notes
    -----
    Latent value = mean of the protocol + sex, age and covariates + site + therapist + level (1 - loss share x fallen)
    + drop x fallen + plateau x regained + visit variation, where fallen is the share of the fall still present at that
    week. The visit variation is an autoregressive process in continuous time. The true value is the latent value cut
    at the ends of the scale; the measured value is latent value + error, cut and rounded to the step.
    """
    weeks = np.array(scenario.visit_weeks)
    true: list[NDArray[np.float64]] = []
    measured: list[NDArray[np.float64]] = []
    places = [_place_effects(scenario, series, seed) for series in scenario.series]
    for series, (of_site, of_therapist) in zip(scenario.series, places, strict=True):
        latent = _latent(scenario, series, patients, traits, seed)
        latent += (of_site[patients.site] + of_therapist[patients.therapist])[:, None]
        if series == scenario.primary and scenario.home.gain_of_full_adherence:
            latent += gain[:, None] * _gain_course(scenario, weeks)
        true.append(np.asarray(np.round(np.clip(latent, series.lowest, series.highest), _TRUE_DECIMALS)))
        spread = SeriesCourse(series, weeks).error_sd
        latent += spread * stream(seed, "visits", series.key, "error").standard_normal(latent.shape)
        measured.append(read_off(series, latent))
    of_places = (
        _effects_frame(column, patients, scenario.series, effects)
        for column, effects in zip(("site", "therapist"), zip(*places, strict=True), strict=True)
    )
    return Curves(weeks, true, measured, *of_places)


def read_off(series: Series, latent: NDArray[np.float64]) -> NDArray[np.float64]:
    """Read values of the unbounded scale as the instrument shows them: cut at the ends of its scale and rounded to its step.

    Examples
    --------
    >>> from synthetic_cohort import load_scenario
    >>> pain = next(one for one in load_scenario("ligament reconstruction").series if one.measure == "pain")
    >>> read_off(pain, np.array([-1.7, 2.4, 11.0])).tolist()
    [0.0, 2.0, 10.0]
    """
    steps = np.rint((np.clip(latent, series.lowest, series.highest) - series.lowest) / series.step)
    return np.asarray(np.round(series.lowest + steps * series.step, series.decimals) + 0.0, dtype=np.float64)


def _place_effects(scenario: Scenario, series: Series, seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Effects of sites and of therapists; each set has the mean zero over the patients it looks after."""
    shape = (len(scenario.sites), scenario.therapists_per_site)
    of_site = series.site_sd * stream(seed, "sites", series.key).standard_normal(shape[0])
    of_therapist = series.therapist_sd * stream(seed, "therapists", series.key).standard_normal(shape)
    of_site -= np.dot(scenario.site_shares, of_site)
    of_therapist -= of_therapist.mean(axis=1, keepdims=True)
    return of_site, of_therapist.ravel()


def _latent(scenario: Scenario, series: Series, patients: Patients, traits: Traits, seed: int) -> NDArray[np.float64]:
    means = series_means(scenario, series)
    n = len(patients)
    level_weight, drop_weight, plateau_weight = SeriesCourse(series, means.weeks).deviations
    rest = np.sqrt(1 - series.general_loading**2 - series.strength_loading**2)
    level = (
        series.general_loading * traits.general
        + series.strength_loading * traits.strength
        + rest * stream(seed, "patients", series.key, "level").standard_normal(n)
    )
    own = np.sqrt(1 - series.recovery_loading**2)
    drop, plateau = (
        series.recovery_loading * traits.recovery + own * stream(seed, "patients", series.key, part).standard_normal(n)
        for part in ("drop", "plateau")
    )
    latent = means.latent[patients.protocol]
    latent += covariate_offset(scenario, series, patients)[:, None] * means.reference
    latent += level[:, None] * level_weight
    latent += drop[:, None] * drop_weight
    latent += plateau[:, None] * plateau_weight
    if series.visit_sd:
        latent += series.visit_sd * _visit_variation(series, means.weeks, n, seed)
    return latent


def _visit_variation(series: Series, weeks: NDArray[np.float64], n: int, seed: int) -> NDArray[np.float64]:
    """Autoregressive process in continuous time, standard normal at each visit."""
    values: NDArray[np.float64] = stream(seed, "visits", series.key, "visit variation").standard_normal((n, len(weeks)))
    kept = np.exp(-np.diff(weeks) / series.visit_memory_weeks)
    for k, rho in enumerate(kept, start=1):
        values[:, k] = rho * values[:, k - 1] + np.sqrt(1 - rho**2) * values[:, k]
    return np.asarray(values)


def covariate_offset(scenario: Scenario, series: Series, patients: Patients) -> NDArray[np.float64]:
    """Give what sex, age and covariates add, as a share of the mean at the week, centred on the population; shape (n,)."""
    mix = scenario.patients
    offset = series.women_share * (patients.woman - mix.women_share)
    offset += series.decade_share * (patients.age_years - mean_age(mix)) / 10
    for covariate in scenario.covariates:
        differences = {level: share for name, level, share in series.covariate_shares if name == covariate.name}
        by_level = np.array([differences.get(level, 0.0) for level in covariate.levels])
        offset += (by_level - np.dot(by_level, covariate.shares))[patients.levels[covariate.name]]
    return np.asarray(offset, dtype=np.float64)


def _gain_course(scenario: Scenario, weeks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of the regain reached at each week, 1 at the primary week."""
    half_life = scenario.primary.half_life_weeks
    regained: NDArray[np.float64] = 1 - np.exp2(-np.maximum(weeks, 0.0) / half_life)
    return np.asarray(regained / (1 - 2.0 ** (-scenario.primary_week / half_life)))


def _effects_frame(
    column: str, patients: Patients, series: Sequence[Series], effects: Sequence[NDArray[np.float64]]
) -> pd.DataFrame:
    """Lay the effects of the places of a column on each series under each other."""
    labels = [str(label) for label in patients.frame[column].cat.categories]
    return pd.DataFrame(
        {
            column: labels * len(series),
            "measure": [one.measure for one in series for _ in labels],
            "limb": [one.limb for one in series for _ in labels],
            "effect": np.round(np.concatenate(effects), _TRUE_DECIMALS),
        }
    )
