"""Home sessions: prescribed, done, logged and reported, falling over weeks; what a naive reader concludes from them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit

from synthetic_cohort.expected.courses import SeriesCourse
from synthetic_cohort.patients.patients import Patients
from synthetic_cohort.patients.trajectories import Traits
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.scenarios.scenario_parts import HomeProgramme, Modality
from synthetic_cohort.streams import stream

_NODES = 60
_RECENT_WEEKS = 4
_MINUTES_SPREAD = 0.08


@dataclass(frozen=True, eq=False)
class Sessions:
    """Home sessions of all patients, every week of the programme, whether they were lost or not.

    Parameters
    ----------
    frame : pandas.DataFrame
        The columns of the sessions table, with ``patient`` (position) in place of patient_id, and
        ``sessions_reported``; in small number types, which hold every value exactly.
    propensity : array of shape (n,)
        Each patient's expected share of prescribed exercise sessions over the whole programme; 0 for who never starts.
    done_share : array of shape (n, weeks)
        Share of all prescribed sessions done in each week; NaN in a week without any.
    never_started : array of bool of shape (n,)
        Who never starts.
    """

    frame: pd.DataFrame
    propensity: NDArray[np.float64]
    done_share: NDArray[np.float64]
    never_started: NDArray[np.bool_]


def draw_sessions(scenario: Scenario, patients: Patients, traits: Traits, seed: int) -> Sessions:
    """Draw the home sessions of every patient.

    The log-odds of a session follow the recovery trait by ``home.follows_recovery``.
    """
    home = scenario.home
    n = len(patients)
    last = last_week(scenario)
    never = stream(seed, "sessions", "never start").random(n) < home.never_start_share
    own = home.patient_sd * stream(seed, "sessions", "patient").standard_normal(n)
    tendency = own + home.follows_recovery * traits.recovery
    chance = expit(weekly_log_odds(home, last)[None, :] + tendency[:, None])
    chance[never] = 0.0
    prescribed_total, done_total = np.zeros((n, last)), np.zeros((n, last))
    frames = []
    names = [modality.modality for modality in scenario.modalities]
    for modality in scenario.modalities:
        members = np.isin(patients.protocol, [scenario.protocols.index(name) for name in modality.protocols])
        who = np.flatnonzero(members)
        weeks = np.arange(modality.first_week, modality.last_week + 1)
        of_modality = chance[np.ix_(who, weeks - 1)]
        done = stream(seed, "sessions", modality.modality, "done").binomial(modality.sessions_per_week, of_modality)
        prescribed_total[np.ix_(who, weeks - 1)] += modality.sessions_per_week
        done_total[np.ix_(who, weeks - 1)] += done
        frame = _modality_frame(home, modality, who, weeks, done, seed)
        codes = np.full(len(frame), scenario.modalities.index(modality), dtype=np.int8)
        frame.insert(2, "modality", pd.Series(pd.Categorical.from_codes(codes, pd.Index(names, dtype="str"))))
        frames.append(frame)
    with np.errstate(invalid="ignore"):
        share = done_total / np.where(prescribed_total > 0, prescribed_total, np.nan)
    frame = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()
    return Sessions(frame, chance.mean(axis=1), share, never)


def last_week(scenario: Scenario) -> int:
    """Give the last week of the home programme; 1 where there is none."""
    return max((modality.last_week for modality in scenario.modalities), default=1)


def weekly_log_odds(home: HomeProgramme, last: int) -> NDArray[np.float64]:
    """Give the log-odds of doing a session for the typical patient, weeks 1 to ``last``, a straight line.

    Examples
    --------
    >>> from synthetic_cohort import load_scenario
    >>> home = load_scenario("ligament reconstruction").home
    >>> line = expit(weekly_log_odds(home, 12))
    >>> bool(np.isclose(line[0], home.start_share)), bool(np.isclose(line[-1], home.end_share))
    (True, True)
    """
    return np.asarray(np.linspace(logit(home.start_share), logit(home.end_share), last))


def own_gain(scenario: Scenario, sessions: Sessions) -> NDArray[np.float64]:
    """Give what a patient's own sessions add to the primary measure, compared with the population's mean adherence.

    Shape (n,): the gain at the primary week in the unit of the primary measure, a true effect. Its population mean is zero,
    so that the means of the protocols stay what the scenario says.
    """
    mean, _ = _propensity_moments(scenario)
    return scenario.home.gain_of_full_adherence * (sessions.propensity - mean)


def standard_adherence(scenario: Scenario, sessions: Sessions, week: float) -> NDArray[np.float64]:
    """Standardise the share of sessions done in the four weeks up to a week, or in the last four of the programme.

    Shape (n,): by the population mean and standard deviation of the expected share in these weeks; 0 where nothing was
    prescribed.
    """
    end = int(np.clip(week, 1, sessions.done_share.shape[1]))
    begin = max(0, end - _RECENT_WEEKS)
    mean, (variance, _) = _propensity_moments(scenario, begin, end)
    share = sessions.done_share[:, begin:end].mean(axis=1)
    if variance <= 0:
        return np.zeros(len(share))
    return np.where(np.isfinite(share), (share - mean) / np.sqrt(variance), 0.0)


def dose_response(scenario: Scenario) -> pd.DataFrame:
    """Compute what a naive reader would conclude from adherence, and what is true.

    One row: measure, limb, week, causal_slope (true change of the outcome from none to all of the sessions), naive_slope
    (population slope of change from baseline on the patient's own expected share of sessions, within a protocol), bias
    (naive less causal), in the unit of the primary measure.

    Notes
    -----
    Both the share of sessions and the change from baseline depend on the patient's recovery trait R; the change is
    linear in it. So naive slope = causal slope + c Cov(R, share) / Var(share), with c the change for one standard
    deviation of R. The moments are integrated over R and the patient's own tendency. The share is the expected one
    (chance of a session, averaged over weeks); the share of a finite log has binomial noise on top, which pulls the
    slope seen towards zero.
    """
    primary = scenario.primary
    week = np.array([scenario.primary_week])
    _, drop, plateau = SeriesCourse(primary, week).deviations
    change = float(primary.recovery_loading * (drop + plateau)[0])
    _, (variance, covariance) = _propensity_moments(scenario)
    causal = scenario.home.gain_of_full_adherence
    naive = causal + (change * covariance / variance if variance > 0 else 0.0)
    row = {"measure": primary.measure, "limb": primary.limb, "week": scenario.primary_week, "causal_slope": causal,
           "naive_slope": round(naive, 6), "bias": round(naive - causal, 6)}  # fmt: skip
    return pd.DataFrame([row])


@lru_cache(maxsize=256)
def _propensity_moments(
    scenario: Scenario, begin: int = 0, end: int | None = None
) -> tuple[float, tuple[float, float]]:
    """Mean of the expected share over some weeks, and its variance and covariance with the recovery trait."""
    home = scenario.home
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    weights = weights / weights.sum()
    tendency = home.patient_sd * nodes[:, None] + home.follows_recovery * nodes[None, :]
    line = weekly_log_odds(home, last_week(scenario))[begin:end]
    share = expit(tendency[..., None] + line).mean(axis=-1)
    both = weights[:, None] * weights[None, :]
    starts = 1 - home.never_start_share
    mean = float(starts * np.sum(both * share))
    variance = float(starts * np.sum(both * share**2) - mean**2)
    covariance = float(starts * np.sum(both * share * nodes[None, :]))
    return mean, (variance, covariance)


def _modality_frame(
    home: HomeProgramme,
    modality: Modality,
    who: NDArray[np.intp],
    weeks: NDArray[np.intp],
    done: NDArray[np.int64],
    seed: int,
) -> pd.DataFrame:
    shape = done.shape
    cut = np.abs(stream(seed, "sessions", modality.modality, "minutes").standard_normal(shape)) * _MINUTES_SPREAD
    minutes = np.rint(done * modality.minutes * np.maximum(1 - cut, 0.5))
    missed = modality.sessions_per_week - done
    claimed = stream(seed, "sessions", modality.modality, "reported").binomial(missed, home.reported_share)
    frame = pd.DataFrame(
        {
            "patient": np.repeat(who, len(weeks)).astype("int32"),
            "week": np.tile(weeks, len(who)).astype("int16"),
            "sessions_prescribed": np.full(done.size, modality.sessions_per_week, dtype="int16"),
            "sessions_done": done.ravel().astype("int16"),
            "minutes_done": minutes.ravel().astype("int16"),
        }
    )
    rise = modality.level_gain * (weeks - weeks[0])
    own = modality.level_sd * stream(seed, "sessions", modality.modality, "level").standard_normal(len(who))
    for column, mean in (("level_knee", modality.level_knee), ("level_thigh", modality.level_thigh)):
        level = np.rint(np.clip(mean + rise[None, :] + own[:, None], 1, 100)) if mean > 0 else np.full(shape, np.nan)
        frame[column] = np.where(done > 0, level, np.nan).ravel().astype("float32")
    frame["sessions_reported"] = (done + claimed).ravel().astype("int16")
    return frame
