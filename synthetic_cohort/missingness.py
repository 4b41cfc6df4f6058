"""Who is not seen: lost for good, a missed visit, a measurement not made; completely at random, at random, or not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit

from analysis.cohort import load_catalogue
from synthetic_cohort.expectation import series_means
from synthetic_cohort.home_programme import recent_share
from synthetic_cohort.streams import stream

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from synthetic_cohort.home_programme import Sessions
    from synthetic_cohort.scenario import Scenario
    from synthetic_cohort.scenario_parts import Mechanism
    from synthetic_cohort.trajectories import Curves

#: Reasons in the order of their codes; code 0 is a value that was observed.
REASONS = ("", "withdrew", "moved away", "could not be reached", "missed visit", "not tested")
_MISSED, _UNTESTED = 4, 5
_NODES = 40
_BISECTIONS = 60
#: Standard deviation of the share of sessions done in four weeks, as a scale only (design choice).
_ADHERENCE_SD = 0.3


@dataclass(frozen=True, eq=False)
class Missing:
    """What is missing.

    Parameters
    ----------
    reason : array of int8 of shape (n, w, s)
        Position in :data:`REASONS` for each patient, visit week and series; 0 where the value was observed.
    lost_week : array of shape (n,)
        Week in which a patient was lost for good; infinite for who was followed to the end.
    lost_reason : array of int8 of shape (n,)
        Position in :data:`REASONS`; 0 for who was followed to the end.
    """

    reason: NDArray[np.int8]
    lost_week: NDArray[np.float64]
    lost_reason: NDArray[np.int8]


def draw_missing(scenario: Scenario, curves: Curves, sessions: Sessions, seed: int) -> Missing:
    """Draw who is lost, which visits are missed and which measurements are not made.

    Parameters
    ----------
    scenario : Scenario
        The scenario; the mechanisms are in ``scenario.missingness``.
    curves : Curves
        Values of every series.
    sessions : Sessions
        Home sessions; the logged share of the four weeks before counts.
    seed : int
        Seed of the cohort.

    Returns
    -------
    Missing
        What is missing and why. Everybody is seen at week 0.

    Notes
    -----
    At each visit the chance of being lost, or of missing the visit, is logistic in a score z: at random, z is the last
    observed score of the primary measure (worse is higher, standardised by its population mean and standard deviation
    at that week) and the logged adherence; not at random, the score is the one that would have been seen at this visit.
    The intercept is set so that the mean chance over a standard normal score is the one of the scenario.
    """
    plan = scenario.missingness
    weeks = curves.weeks
    n, n_weeks = curves.measured[0].shape
    primary = scenario.series.index(scenario.primary)
    worse = _worse_score(scenario, curves)
    measured_at = np.isin(weeks, scenario.primary.weeks)
    slopes = np.log([plan.score_odds_ratio, plan.adherence_odds_ratio])
    hazard = visit_hazards(scenario)
    lost_draw = stream(seed, "missing", "lost").random((n, n_weeks))
    missed_draw = stream(seed, "missing", "visit").random((n, n_weeks))
    untested_draw = [stream(seed, "missing", "test", series.key).random((n, n_weeks)) for series in scenario.series]
    untested = [draw < plan.untested_share for draw in untested_draw]
    reason = np.zeros((n, n_weeks, len(scenario.series)), dtype=np.int8)
    lost_reason = np.zeros(n, dtype=np.int8)
    lost_week = np.full(n, np.inf)
    last_score = worse[:, 0].copy()
    why = _lost_reasons(scenario, np.asarray(stream(seed, "missing", "reason").random(n)))
    when = np.asarray(stream(seed, "missing", "when").random(n))
    for k in range(1, n_weeks):
        adherence = -_standard_adherence(sessions, weeks[k], n)
        lost = (lost_reason == 0) & (
            lost_draw[:, k] < _chance(plan.lost, hazard[k], slopes, last_score, worse[:, k], adherence)
        )
        lost_reason[lost] = why[lost]
        lost_week[lost] = weeks[k - 1] + when[lost] * (weeks[k] - weeks[k - 1])
        missed = missed_draw[:, k] < _chance(plan.missed, plan.missed_share, slopes, last_score, worse[:, k], adherence)
        whole = np.where(lost_reason > 0, lost_reason, np.where(missed, _MISSED, 0)).astype(np.int8)
        for s in range(len(scenario.series)):
            reason[:, k, s] = np.where((whole == 0) & untested[s][:, k], _UNTESTED, whole)
        if measured_at[k]:
            seen = reason[:, k, primary] == 0
            last_score[seen] = worse[seen, k]
    return Missing(reason, lost_week, lost_reason)


def visit_hazards(scenario: Scenario) -> NDArray[np.float64]:
    """Turn shares lost by stated weeks into the chance of being lost between one visit and the next.

    Parameters
    ----------
    scenario : Scenario
        The scenario.

    Returns
    -------
    array of shape (w,)
        Chance at each visit week among those still followed; 0 at week 0.

    Examples
    --------
    >>> from synthetic_cohort import load_scenario
    >>> hazards = visit_hazards(load_scenario("ligament reconstruction"))
    >>> round(float(1 - np.prod(1 - hazards)), 3)
    0.25
    """
    plan = scenario.missingness
    weeks = np.array(scenario.visit_weeks)
    lost = np.interp(weeks, [0.0, *plan.lost_weeks], [0.0, *plan.lost_shares])
    return np.concatenate([[0.0], np.diff(lost) / (1 - lost[:-1])])


def _chance(
    mechanism: Mechanism,
    share: float,
    slopes: NDArray[np.float64],
    last_score: NDArray[np.float64],
    score_now: NDArray[np.float64],
    adherence: NDArray[np.float64],
) -> NDArray[np.float64] | float:
    if mechanism == "completely at random" or share <= 0:
        return share
    if mechanism == "not at random":
        return np.asarray(expit(_intercept(share, abs(float(slopes[0]))) + slopes[0] * score_now))
    intercept = _intercept(share, float(np.hypot(*slopes)))
    return np.asarray(expit(intercept + slopes[0] * last_score + slopes[1] * adherence))


def _intercept(share: float, sd: float) -> float:
    """Log-odds at a score of zero that give a mean chance of ``share`` over a normal score of this effect."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    weights = weights / weights.sum()
    low, high = -30.0, 30.0
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        if float(np.dot(weights, expit(middle + sd * nodes))) > share:
            high = middle
        else:
            low = middle
    return (low + high) / 2


def _worse_score(scenario: Scenario, curves: Curves) -> NDArray[np.float64]:
    means = series_means(scenario, scenario.primary)
    values = curves.measured[scenario.series.index(scenario.primary)]
    sign = load_catalogue()[scenario.primary_measure].sign
    return np.asarray(-sign * (values - means.reference) / means.sd)


def _standard_adherence(sessions: Sessions, week: float, n: int) -> NDArray[np.float64]:
    share = recent_share(sessions, week)
    known = np.isfinite(share)
    if not known.any():
        return np.zeros(n)
    return np.where(known, (share - 0.65) / _ADHERENCE_SD, 0.0)


def _lost_reasons(scenario: Scenario, draw: NDArray[np.float64]) -> NDArray[np.int8]:
    plan = scenario.missingness
    edges = [plan.withdrew_share, plan.withdrew_share + plan.moved_share]
    return (np.searchsorted(edges, draw, side="right") + 1).astype(np.int8)
