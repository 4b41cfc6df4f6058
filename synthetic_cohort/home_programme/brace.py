"""Motion limits of the brace, opened by week, and never less open than the flexion that was reached."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from synthetic_cohort.patients.patients import Patients
from synthetic_cohort.patients.trajectories import Curves
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.streams import stream

_WIDEST_DEG = 135.0
_NOTCH_DEG = 5.0


def draw_brace_limits(scenario: Scenario, patients: Patients, curves: Curves, seed: int) -> pd.DataFrame:
    """Draw the brace settings of every patient by the plan of the protocol.

    A limit is opened to the flexion measured while it holds, in notches of 5 deg up to 135, where the plan is behind it. In a
    share of the patients every setting after the first comes a week late. Columns patient (position), week,
    flexion_limit_deg, extension_limit_deg, locked, both_hinges_agree, sorted by patient and week.
    """
    frames = []
    for number, plan in enumerate(scenario.brace):
        members = np.isin(patients.protocol, [scenario.protocols.index(name) for name in plan.protocols])
        who = np.flatnonzero(members)
        late = stream(seed, "brace", str(number), "delay").random(len(who)) < plan.delay_share
        planned = np.array(plan.weeks)
        weeks = planned[None, :] + np.where(planned > planned[0], late[:, None], 0)
        planned_limits = np.tile(plan.flexion_limits_deg, (len(who), 1))
        limits = np.maximum(planned_limits, _reached(scenario, curves, who, weeks))
        frames.append(
            pd.DataFrame(
                {
                    "patient": np.repeat(who, len(planned)),
                    "week": weeks.ravel(),
                    "flexion_limit_deg": limits.ravel(),
                    "extension_limit_deg": np.tile(plan.extension_limits_deg, len(who)),
                    "locked": np.tile(plan.locked, len(who)),
                }
            )
        )
    if not frames:
        return pd.DataFrame()
    frame = pd.concat(frames, ignore_index=True).sort_values(["patient", "week"], kind="stable", ignore_index=True)
    frame["both_hinges_agree"] = True
    return frame


def _reached(
    scenario: Scenario, curves: Curves, who: NDArray[np.intp], weeks: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Largest flexion measured after the start and before the next setting, in whole notches."""
    reached = np.zeros(weeks.shape)
    for series, measured in zip(scenario.series, curves.measured, strict=True):
        if (series.measure, series.limb) == ("knee_flexion", "involved"):
            until = np.concatenate([weeks[:, 1:], np.full((len(who), 1), np.inf)], axis=1)
            for k, week in enumerate(curves.weeks):
                if week in series.weeks and week > 0:
                    flexion = np.minimum(np.ceil(measured[who, k] / _NOTCH_DEG) * _NOTCH_DEG, _WIDEST_DEG)
                    reached = np.maximum(reached, np.where(week < until, flexion[:, None], 0.0))
    return reached
