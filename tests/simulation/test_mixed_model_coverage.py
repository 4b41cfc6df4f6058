"""Small trials, 2 x 12 patients with a fifth of the visits missing: what intervals and tests of the engine hold."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

SCRIPT = Path(__file__).with_name("small_trials.py")
TRIALS = 2_000


@pytest.fixture(scope="module")
def shares():
    half = TRIALS // 2
    runs = [
        subprocess.Popen(
            [sys.executable, str(SCRIPT), str(first), str(first + half)],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )
        for first in (0, half)
    ]
    answers = np.array([answer for run in runs for answer in json.loads(run.communicate()[0])], dtype=float)
    assert len(answers) == TRIALS
    table = pd.DataFrame(
        100 * answers.mean(axis=0),
        ["kenward-roger", "normal"],
        ["week 2", "week 6", "week 12", "week 26", "false positives"],
    )
    print(f"\nPer cent of {TRIALS} trials: intervals that hold the true difference, false positives of the F test")
    print(table.round(2).to_string())
    return table


@pytest.mark.slow
def test_intervals_hold_the_true_difference_as_often_as_they_say(shares):
    held = shares.loc["kenward-roger"].drop("false positives")
    assert held.between(93.5, 96.5).all(), shares


@pytest.mark.slow
def test_the_joint_test_errs_as_often_as_it_says(shares):
    assert 4.0 <= shares.loc["kenward-roger", "false positives"] <= 6.0, shares


@pytest.mark.slow
def test_normal_inference_is_too_sure_of_itself(shares):
    kenward_roger, normal = shares.loc["kenward-roger"], shares.loc["normal"]
    assert (normal.drop("false positives") < kenward_roger.drop("false positives")).all(), shares
    assert normal["false positives"] > 6.0, shares
