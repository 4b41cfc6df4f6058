"""A trial of one score at three weeks whose true values are known, for the tests of models of all visits."""

import numpy as np
import pandas as pd

from analysis.cohort import Cohort


def trial(rng, n=300, weeks=(0, 12, 26), lost=0.0, error=4.0):
    """True values with patient and visit variation, measured with error; returns the cohort and the true values."""
    protocol = np.resize(["usual", "early"], n)
    mean = np.array([45, 55, 62.0]) + np.outer(protocol == "early", [0, 3, 4.0])
    true = mean + rng.normal(0, 8, (n, 1)) + rng.normal(0, 5, (n, 3))
    seen = true + rng.normal(0, error, (n, 3))
    ids = np.array([f"P{i:05d}" for i in range(n)])
    keep = rng.random((n, 3)) >= np.array([0, lost, lost])
    rows = pd.DataFrame(
        {"patient_id": np.repeat(ids, 3), "week": np.tile(weeks, n), "value": seen.ravel(), "kept": keep.ravel()}
    )
    visits = rows[rows["kept"]].drop(columns="kept").assign(measure="ikdc", limb="none")
    return Cohort(pd.DataFrame({"patient_id": ids, "protocol": protocol}), visits), true
