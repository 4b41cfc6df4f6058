"""Balance by hand, and what must hold of any weights."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.statistics.weighting.balance_measures import (
    distance,
    effective_size,
    largest_share,
    shared_spread,
    variance_ratio,
    weighted_variance,
)

WEIGHTS = st.lists(st.floats(0.01, 100.0), min_size=2, max_size=30)


@given(WEIGHTS, st.floats(0.1, 10.0))
def test_effective_patients_lie_between_one_and_all_and_do_not_depend_on_the_scale(weights, factor):
    size = effective_size(weights)
    assert 1 - 1e-9 <= size <= len(weights) + 1e-9
    assert effective_size(np.array(weights) * factor) == pytest.approx(size)
    assert 1 / len(weights) - 1e-9 <= largest_share(weights) <= 1


@given(WEIGHTS)
def test_whole_weights_in_proportion_give_the_variance_of_all(weights):
    values = np.arange(len(weights), dtype=float)
    assert weighted_variance(values, np.full(len(weights), 3.7)) == pytest.approx(values.var(ddof=1))


def test_equal_weights_change_nothing():
    one, other = [1.0, 2.0, 5.0], [2.0, 2.5, 9.0, 4.0]
    before, after = distance(one, other, np.ones(3), np.full(4, 7.0))
    assert after == pytest.approx(before)
    assert before == pytest.approx(
        (np.mean(one) - np.mean(other)) / np.sqrt((np.var(one, ddof=1) + np.var(other, ddof=1)) / 2)
    )
    assert variance_ratio(one, other, np.ones(3), np.ones(4)) == pytest.approx(
        np.var(one, ddof=1) / np.var(other, ddof=1)
    )


def test_what_cannot_be_said_is_missing():
    assert np.isnan(shared_spread([1.0], [1.0, 2.0]))
    assert np.isnan(shared_spread([1.0, 1.0], [2.0, 2.0]))
    assert np.isnan(variance_ratio([1.0, 2.0], [3.0, 3.0], [1, 1], [1, 1]))
    assert np.isnan(effective_size([0.0, 0.0]))
