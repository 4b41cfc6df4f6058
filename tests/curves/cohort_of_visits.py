"""Visits for the tests of the curves: small, irregular in every way that the engine must bear."""

from __future__ import annotations

import numpy as np
import pandas as pd


def visits(
    patients: int = 40,
    *,
    seed: int = 1,
    weeks: tuple[float, ...] = (0.0, 2.0, 6.0, 12.0, 26.0),
    missing: float = 0.2,
    unscheduled: bool = False,
    slope_sd: float = 0.3,
) -> pd.DataFrame:
    """Generate visits with random intercepts and slopes, three protocols, two sites and a covariate that changes by visit."""
    rng = np.random.default_rng(seed)
    week = np.tile(np.asarray(weeks), patients)
    if unscheduled:
        week = np.round(week + rng.uniform(0.0, 1.5, week.size), 3)
    patient = np.repeat(np.arange(patients), len(weeks))
    protocol = rng.choice(["exercise", "stimulation", "motion"], patients)
    frame = pd.DataFrame(
        {
            "patient_id": patient,
            "week": week,
            "protocol": pd.Categorical(protocol[patient], ["exercise", "stimulation", "motion"]),
            "site": rng.choice(["north", "south"], patients)[patient],
            "baseline": rng.normal(60.0, 8.0, patients)[patient],
            "pain": rng.uniform(0.0, 10.0, week.size),
        }
    )
    curve = 20.0 * (1.0 - np.exp(-frame["week"] / 8.0)) * (1.0 + 0.2 * (frame["protocol"] == "stimulation"))
    effects = rng.normal(0.0, 4.0, patients)[patient] + rng.normal(0.0, slope_sd, patients)[patient] * frame["week"]
    frame["value"] = 40.0 + curve + 0.4 * (frame["baseline"] - 60.0) - 0.5 * frame["pain"] + effects
    frame["value"] += rng.normal(0.0, 3.0, week.size)
    return frame[rng.random(week.size) >= missing].reset_index(drop=True)
