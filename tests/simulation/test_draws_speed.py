"""Slow: a thousand bootstrap draws take seconds, for 200 patients and for 20,000; long ones tell how far they are."""

import time

import numpy as np
import pandas as pd
import pytest

from analysis.outcomes.thresholds.found_thresholds import find_thresholds

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("patients", [200, 20_000])
@pytest.mark.parametrize("score", ["whole points", "no two alike"])
def test_a_thousand_draws_of_every_threshold(patients, score):
    """Processor time, so that a busy machine does not decide; all six methods with intervals."""
    rng = np.random.default_rng(1)
    gain = rng.normal(9, 10, patients)
    data = pd.DataFrame({"improvement": gain.round() if score == "whole points" else gain})
    data["anchor"] = np.clip(np.round((gain + rng.normal(0, 9, patients)) / 9), -1, 3)
    told = []
    start = time.process_time()
    found = find_thresholds(
        data,
        improved=[1, 2, 3],
        slightly_better=[1],
        anchor_reliability=0.7,
        draws=1000,
        tell=lambda *at: told.append(at),
    )
    assert time.process_time() - start < 10
    assert found.anchor_based["lower"].notna().all()
    assert told[-1] == (1000, 1000)
    assert len(told) >= (1 if patients == 200 else 10)
