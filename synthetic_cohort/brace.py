"""Motion limits of the brace, opened by week."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from synthetic_cohort.streams import stream

if TYPE_CHECKING:
    from synthetic_cohort.patients import Patients
    from synthetic_cohort.scenario import Scenario


def draw_brace_limits(scenario: Scenario, patients: Patients, seed: int) -> pd.DataFrame:
    """Draw the brace settings of every patient.

    Parameters
    ----------
    scenario : Scenario
        The plans and the protocols that use them.
    patients : Patients
        The patients.
    seed : int
        Seed of the cohort.

    Returns
    -------
    pandas.DataFrame
        patient (position), week, flexion_limit_deg, extension_limit_deg, locked, both_hinges_agree, sorted by patient
        and week. In a share of the patients every setting after the first comes a week late.
    """
    frames = []
    for number, plan in enumerate(scenario.brace):
        members = np.isin(patients.protocol, [scenario.protocols.index(name) for name in plan.protocols])
        who = np.flatnonzero(members)
        late = stream(seed, "brace", str(number), "delay").random(len(who)) < plan.delay_share
        planned = np.array(plan.weeks)
        weeks = planned[None, :] + np.where(planned > planned[0], late[:, None], 0)
        frames.append(
            pd.DataFrame(
                {
                    "patient": np.repeat(who, len(planned)),
                    "week": weeks.ravel(),
                    "flexion_limit_deg": np.tile(plan.flexion_limits_deg, len(who)),
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
