"""Calibration of probabilities: bands, and what is no probability."""

import numpy as np
import pytest

from analysis.errors import ModelError
from analysis.statistics.calibration import calibration_table


@pytest.mark.parametrize("bands", [5, 10, 20])
def test_a_probability_at_the_edge_of_bands_is_in_the_upper_one(bands):
    """R 4.2.2: cut((0:K) / K, (0:K) / K, right = FALSE, include.lowest = TRUE), one in each but two in the last."""
    chances = [k / bands for k in range(bands + 1)]
    table = calibration_table(chances, [True] * (bands + 1), tenths=bands)
    assert table["n"].tolist() == [1] * (bands - 1) + [2]
    assert table["band_from"].tolist() == chances[:-1]


def test_bands_that_hold_nobody_are_missing():
    table = calibration_table([0.05, 1.0], [False, True])
    assert table["n"].tolist() == [1] + [0] * 8 + [1]
    assert table["share"].isna().sum() == 8


def test_probabilities_that_are_none():
    for chance in ([1.2, 0.5], [np.nan, 0.5], [0.5]):
        with pytest.raises(ModelError, match="Probabilities do not lie between 0 and 1, one for each answer"):
            calibration_table(chance, [True, False])
