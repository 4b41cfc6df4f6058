"""Small trials, 2 x 12 patients with a fifth of the visits missing, each fitted with both inferences.

Run as ``coverage_trials.py FIRST LAST``: prints, as JSON, one list a trial and inference.
"""

import json
import sys
import warnings

import numpy as np
import pandas as pd

from analysis import fit_mixed
from analysis.errors import KneecurveWarning

WEEKS = np.array([2.0, 6.0, 12.0, 26.0])
#: Standard deviations of patients' levels and of their slopes over 26 weeks, and of a measurement; their correlation.
LEVEL, SLOPE, ERROR, CORRELATION = 0.4, 0.3, 0.2, 0.3
#: True difference at every week: the same, so that protocol by week, which is tested, is nothing.
DIFFERENCE = 0.2


def trial(seed):
    rng = np.random.default_rng(seed)
    n, m = 24, len(WEEKS)
    covariance = np.array([[LEVEL**2, CORRELATION * LEVEL * SLOPE], [CORRELATION * LEVEL * SLOPE, SLOPE**2]])
    effects = rng.multivariate_normal(np.zeros(2), covariance, n)
    protocol = np.repeat([0, 1], n // 2)
    value = effects[:, :1] + effects[:, 1:] * WEEKS / 26 + protocol[:, None] * DIFFERENCE
    value = value + rng.normal(0, ERROR, (n, m)) + np.log1p(WEEKS) / 4
    frame = pd.DataFrame(
        {
            "patient_id": np.repeat([f"p{i:02d}" for i in range(n)], m),
            "protocol": pd.Categorical(np.repeat(np.array(["usual", "new"])[protocol], m), ["usual", "new"]),
            "week": np.tile(WEEKS, n),
            "value": value.ravel(),
        }
    )
    seen = rng.permutation(n * m) >= n * m // 5
    return frame[seen]


def fitted(frame, inference):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", KneecurveWarning)  # some of 2,000 small trials end at the boundary
        return fit_mixed(
            frame, "value ~ protocol * C(week)", patient="patient_id", week="week", patient_effects="1 + week",
            inference=inference,
        )  # fmt: skip


def one_trial(seed):
    """Give, for both inferences, whether the interval of each week holds the truth and whether the test finds what is
    not there."""
    frame, answers = trial(seed), []
    for inference in ("kenward-roger", "normal"):
        fit = fitted(frame, inference)
        table = fit.differences(of="protocol", reference="usual", weeks=list(WEEKS))
        held = table["lower"].lt(DIFFERENCE) & table["upper"].gt(DIFFERENCE)
        answers.append([*map(bool, held), fit.test("protocol:C(week)")["p_value"].item() < 0.05])
    return answers


if __name__ == "__main__":
    first, last = map(int, sys.argv[1:])
    print(json.dumps([one_trial(seed) for seed in range(first, last)]))
