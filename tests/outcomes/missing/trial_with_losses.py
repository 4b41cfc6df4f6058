"""A trial in which those who do badly are lost more often, for the tests of missing visits."""

import numpy as np
import pandas as pd

from analysis.cohort import Cohort


def trial(rng, n=200, lost=0.25, early=4.0):
    """Three visits, some not seen again after the first or the second; those who do badly are lost more often."""
    protocol = np.resize(["usual", "early"], n)
    mean = np.array([45, 55, 62.0]) + np.outer(protocol == "early", [0, early / 2, early])
    values = mean + rng.normal(0, 8, (n, 1)) + rng.normal(0, 5, (n, 3))
    lost_at_2 = rng.random(n) < lost * np.where(values[:, 1] < 55, 1.6, 0.4)
    lost_at_1 = rng.random(n) < lost / 3
    keep = np.column_stack([np.ones(n, dtype=bool), ~lost_at_1, ~lost_at_1 & ~lost_at_2])
    ids = np.array([f"P{i:05d}" for i in range(n)])
    rows = pd.DataFrame(
        {
            "patient_id": np.repeat(ids, 3),
            "week": np.tile([0, 12, 26], n),
            "value": values.ravel(),
            "keep": keep.ravel(),
        }
    )
    visits = rows[rows["keep"]].drop(columns="keep").assign(measure="ikdc", limb="none")
    return Cohort(pd.DataFrame({"patient_id": ids, "protocol": pd.Categorical(protocol, ["usual", "early"])}), visits)
