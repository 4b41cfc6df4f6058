"""Courses by week: the mean of a measure under the reference protocol, and what a protocol adds to it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.scenarios.scenario_parts import Effect, Series


@dataclass(frozen=True, eq=False)
class SeriesCourse:
    """One series by weeks since the start: its mean under the reference protocol, and how far values lie from it.

    Examples
    --------
    >>> from synthetic_cohort import load_scenario
    >>> torque = load_scenario("ligament reconstruction").primary
    >>> SeriesCourse(torque, np.array([0.0, torque.half_life_weeks, 2 * torque.half_life_weeks])).fallen.tolist()
    [0.0, 0.5, 0.25]
    """

    series: Series
    weeks: NDArray[np.float64]

    @cached_property
    def fallen(self) -> NDArray[np.float64]:
        """How much of the fall (or of the dip) is present at each week, shape (w,).

        fall and regain: 0 at week 0 or before, then 1 just after it, halving every ``half_life_weeks``; dip: 0 at week
        0, 1 at ``half_life_weeks``, then fading.
        """
        relative = self.weeks / self.series.half_life_weeks
        if self.series.kind == "dip":
            return np.where(self.weeks > 0, relative * np.exp(1 - relative), 0.0)
        return np.where(self.weeks > 0, 2.0**-relative, 0.0)

    @cached_property
    def mean(self) -> NDArray[np.float64]:
        """Mean under the reference protocol on the observed scale, shape (w,), in the unit of the measure."""
        series = self.series
        if series.kind == "dip":
            return series.before - (series.before - series.after) * self.fallen
        return np.where(self.weeks > 0, series.plateau + (series.after - series.plateau) * self.fallen, series.before)

    @property
    def deviations(self) -> tuple[NDArray[np.float64], ...]:
        """Multipliers of a patient's standard normal level, drop and plateau: three arrays of shape (w,)."""
        series = self.series
        regained = np.zeros(len(self.weeks))
        if series.kind == "fall and regain":
            regained = np.where(self.weeks > 0, 1 - self.fallen, 0.0)
        level = series.level_sd * (1 - series.loss_share * self.fallen)
        return level, series.drop_sd * self.fallen, series.plateau_sd * regained

    @property
    def true_variance(self) -> NDArray[np.float64]:
        """Variance of true values about their mean, covariates apart, shape (w,).

        Between patients, of visits, sites and therapists together, in squared units of the measure.
        """
        series, (level, drop, plateau) = self.series, self.deviations
        shared = series.recovery_loading**2
        return np.asarray(
            level**2
            + drop**2
            + plateau**2
            + 2 * shared * drop * plateau
            + series.visit_sd**2
            + series.site_sd**2
            + series.therapist_sd**2
        )

    @property
    def error_sd(self) -> NDArray[np.float64]:
        """Standard deviation of measurement error, shape (w,), from the mean at that week."""
        return np.asarray(self.series.error_sd + self.series.error_share * np.abs(self.mean))


def effect_course(effect: Effect, weeks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give what an effect adds at each week since the start, before the ends of the scale are applied.

    Zero at week 0 or before. With ``r = week / effect.week``: early and fading ``size * r * exp(1 - r)``, which is
    largest, ``size``, at ``effect.week``; late ``size * r ** 3 / (1 + r ** 3)``, half of it at ``effect.week``;
    constant ``size``.

    Examples
    --------
    >>> from synthetic_cohort import Effect
    >>> early = Effect("b", "pain", "none", "early and fading", size=-1.0, week=6)
    >>> effect_course(early, np.array([0.0, 6.0, 52.0])).round(3).tolist()
    [0.0, -1.0, -0.004]
    """
    relative = np.maximum(weeks, 0.0) / effect.week
    if effect.course == "early and fading":
        return effect.size * relative * np.exp(1 - relative) + 0.0
    if effect.course == "late":
        return effect.size * relative**3 / (1 + relative**3)
    return np.where(weeks > 0, effect.size, 0.0)


def protocol_effects(scenario: Scenario, series: Series, weeks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum the effects of every protocol on one series, shape (protocols, weeks); zero for the reference."""
    added = np.zeros((len(scenario.protocols), len(weeks)))
    for effect in scenario.effects:
        if (effect.measure, effect.limb) == (series.measure, series.limb):
            added[scenario.protocols.index(effect.protocol)] += effect_course(effect, weeks)
    return added
