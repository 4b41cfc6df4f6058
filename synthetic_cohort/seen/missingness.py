"""Who is not seen: lost for good, a missed visit, a measurement not made; completely at random, at random, or not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from analysis.cohort import load_catalogue
from synthetic_cohort.expected.expectation import series_means
from synthetic_cohort.home_programme.sessions import Sessions, standard_adherence
from synthetic_cohort.patients.trajectories import Curves
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.streams import stream

#: Reasons in the order of their codes; code 0 is a value that was observed.
REASONS = ("", "withdrew", "moved away", "could not be reached", "missed visit", "not tested")
_MISSED, _UNTESTED = 4, 5
_QUANTILES = 400
_BISECTIONS = 60


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
    """Draw who is lost, which visits are missed and which measurements are not made. Everybody is seen at week 0.

    Notes
    -----
    At each visit the chance of being lost, or of missing the visit, is logistic in a score z: at random, z is the last
    observed score of the primary measure (worse is higher, standardised by its population mean and standard deviation
    at that week) and the logged adherence; not at random, the score is the one that would have been seen at this visit.
    The constant is set so that the mean chance of those still followed is the one of the scenario.
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
        scores = {
            "completely at random": np.zeros(n),
            "at random": slopes[0] * last_score - slopes[1] * standard_adherence(scenario, sessions, weeks[k]),
            "not at random": slopes[0] * worse[:, k],
        }
        followed = lost_reason == 0
        lost = followed & (lost_draw[:, k] < chance(scores[plan.lost], hazard[k], followed))
        lost_reason[lost] = why[lost]
        lost_week[lost] = weeks[k - 1] + when[lost] * (weeks[k] - weeks[k - 1])
        missed = missed_draw[:, k] < chance(scores[plan.missed], plan.missed_share, lost_reason == 0)
        whole = np.where(lost_reason > 0, lost_reason, np.where(missed, _MISSED, 0)).astype(np.int8)
        for s in range(len(scenario.series)):
            reason[:, k, s] = np.where((whole == 0) & untested[s][:, k], _UNTESTED, whole)
        if measured_at[k]:
            seen = reason[:, k, primary] == 0
            last_score[seen] = worse[seen, k]
    return Missing(reason, lost_week, lost_reason)


def visit_hazards(scenario: Scenario) -> NDArray[np.float64]:
    """Turn shares lost by stated weeks into the chance of being lost between one visit and the next.

    Shape (w,): the chance at each visit week among those still followed; 0 at week 0.

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


def chance(score: NDArray[np.float64], share: float, followed: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Give each patient's chance of being lost or missing, logistic in a score, with a stated mean of those still followed.

    The score is the log-odds up to a constant, which is found by bisection over 400 quantiles of the scores of those followed.

    Examples
    --------
    >>> chances = chance(np.array([-1.0, 0.0, 1.0, 9.0]), 0.2, np.array([True, True, True, False]))
    >>> round(float(chances[:3].mean()), 3), bool(chances[2] > chances[0])
    (0.2, True)
    """
    if share <= 0 or not followed.any():
        return np.full(len(score), share)
    present = score[followed]
    if len(present) > _QUANTILES:
        present = np.quantile(present, (np.arange(_QUANTILES) + 0.5) / _QUANTILES)
    low, high = -40.0, 40.0
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        if float(expit(middle + present).mean()) > share:
            high = middle
        else:
            low = middle
    return np.asarray(expit((low + high) / 2 + score))


def _worse_score(scenario: Scenario, curves: Curves) -> NDArray[np.float64]:
    means = series_means(scenario, scenario.primary)
    values = curves.measured[scenario.series.index(scenario.primary)]
    sign = load_catalogue()[scenario.primary_measure].sign
    return np.asarray(-sign * (values - means.reference) / means.sd)


def _lost_reasons(scenario: Scenario, draw: NDArray[np.float64]) -> NDArray[np.int8]:
    plan = scenario.missingness
    edges = [plan.withdrew_share, plan.withdrew_share + plan.moved_share]
    return (np.searchsorted(edges, draw, side="right") + 1).astype(np.int8)
