"""Courses by week: the mean of a measure under the reference protocol, and what a protocol adds to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_cohort.scenarios.scenario import Scenario
    from synthetic_cohort.scenarios.scenario_parts import Effect, Series


def fallen_share(series: Series, weeks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give how much of the fall (or of the dip) is present at each week.

    Parameters
    ----------
    series : Series
        The series.
    weeks : array of shape (w,)
        Weeks since the start.

    Returns
    -------
    array of shape (w,)
        fall and regain: 0 at week 0 or before, then 1 just after it, halving every ``half_life_weeks``; dip: 0 at week
        0, 1 at ``half_life_weeks``, then fading.

    Examples
    --------
    >>> from synthetic_cohort import load_scenario
    >>> torque = load_scenario("ligament reconstruction").primary
    >>> fallen_share(torque, np.array([0.0, torque.half_life_weeks, 2 * torque.half_life_weeks])).tolist()
    [0.0, 0.5, 0.25]
    """
    relative = weeks / series.half_life_weeks
    if series.kind == "dip":
        return np.where(weeks > 0, relative * np.exp(1 - relative), 0.0)
    return np.where(weeks > 0, 2.0**-relative, 0.0)


def reference_mean(series: Series, weeks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the mean of a series on the observed scale under the reference protocol.

    Parameters
    ----------
    series : Series
        The series.
    weeks : array of shape (w,)
        Weeks since the start.

    Returns
    -------
    array of shape (w,)
        Mean at each week, in the unit of the measure.
    """
    fallen = fallen_share(series, weeks)
    if series.kind == "dip":
        return series.before - (series.before - series.after) * fallen
    return np.where(weeks > 0, series.plateau + (series.after - series.plateau) * fallen, series.before)


def effect_course(effect: Effect, weeks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give what an effect adds at each week, before the ends of the scale are applied.

    Parameters
    ----------
    effect : Effect
        The effect.
    weeks : array of shape (w,)
        Weeks since the start.

    Returns
    -------
    array of shape (w,)
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
    """Sum the effects of every protocol on one series.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    series : Series
        One of its series.
    weeks : array of shape (w,)
        Weeks since the start.

    Returns
    -------
    array of shape (protocols, w)
        What is added under each protocol; zero for the reference.
    """
    added = np.zeros((len(scenario.protocols), len(weeks)))
    for effect in scenario.effects:
        if (effect.measure, effect.limb) == (series.measure, series.limb):
            added[scenario.protocols.index(effect.protocol)] += effect_course(effect, weeks)
    return added
