"""Small trials, 2 x 12 patients with a fifth of the visits missing: what intervals and tests of the engine hold."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

SCRIPT = Path(__file__).with_name("coverage_trials.py")
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
def test_kenward_roger_holds_its_level_and_the_normal_does_not(shares):
    """One test, so that the trials are run once: intervals, the joint test, and how much too sure the normal is."""
    kenward_roger, normal = shares.loc["kenward-roger"], shares.loc["normal"]
    held = kenward_roger.drop("false positives")
    assert held.between(93.5, 96.5).all(), shares
    assert 4.0 <= kenward_roger["false positives"] <= 6.0, shares
    assert (normal.drop("false positives") < held).all(), shares
    assert normal["false positives"] > 6.0, shares
