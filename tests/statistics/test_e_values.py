"""E-values beside published ones, and what they mean: a factor of that strength explains the ratio away, a weaker one does not."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.statistics.e_values import (
    bias_factor,
    e_value,
    e_value_of_limit,
    e_values_of_differences,
    ratio_of_common_hazards,
    ratio_of_common_odds,
)


@pytest.mark.parametrize(
    ("ratio", "lower", "upper", "value", "of_limit"),
    [
        (
            3.9,
            1.8,
            8.7,
            7.26303,
            3.00000,
        ),  # VanderWeele & Ding 2017: breastfeeding and respiratory death, 7.26 and 3.00
        (0.80, 0.71, 0.91, 1.80902, 1.42857),  # the same: 1.81 and 1.43
        (1.2, 0.9, 1.6, 1.68990, 1.0),  # the interval holds 1
        (2.0, 2.0, 2.0, 3.41421, 3.41421),
    ],
)
def test_risk_ratios(ratio, lower, upper, value, of_limit):
    assert e_value(ratio) == pytest.approx(value, abs=5e-6)
    assert e_value_of_limit(ratio, lower, upper) == pytest.approx(of_limit, abs=5e-6)


@pytest.mark.parametrize(
    ("d", "error", "value", "of_limit"),
    [(0.5, 0.15, 2.52914, 1.70645), (0.5, 0.25, 2.52914, 1.11080), (-0.3, 0.1, 1.95611, 1.43070)],
)
def test_differences_in_standard_deviations(d, error, value, of_limit):
    """By hand: RR exp(0.91 d), limits exp(0.91 d -+ 1.78 SE)."""
    found = e_values_of_differences(d, error).iloc[0]
    assert found["e_value"] == pytest.approx(value, abs=5e-6)
    assert found["e_value_limit"] == pytest.approx(of_limit, abs=5e-6)


def test_common_outcomes():
    """VanderWeele 2017: an odds ratio of 2.5, a hazard ratio of 1.6."""
    assert e_value(ratio_of_common_odds(2.5)) == pytest.approx(2.53971, abs=5e-6)
    assert ratio_of_common_hazards(1.6) == pytest.approx(1.38397, abs=5e-6)
    assert e_value(ratio_of_common_hazards(1.6)) == pytest.approx(2.11294, abs=5e-6)


@given(st.floats(1.0, 50.0))
def test_two_ties_of_that_strength_explain_the_ratio_and_no_weaker_ones(ratio):
    strength = float(e_value(ratio))
    assert bias_factor(strength, strength) == pytest.approx(ratio)
    assert e_value(1 / ratio) == pytest.approx(strength)


@given(st.floats(-3, 3), st.floats(0.01, 2), st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_the_limit_never_asks_for_more_than_the_difference(d, error, level):
    found = e_values_of_differences(d, error, level=level).iloc[0]
    assert 1 <= found["e_value_limit"] <= found["e_value"]


def test_what_is_missing_stays_missing():
    assert e_values_of_differences([np.nan, 0.5], [0.1, np.nan]).isna().to_numpy().tolist() == [
        [True, True],
        [False, True],
    ]
