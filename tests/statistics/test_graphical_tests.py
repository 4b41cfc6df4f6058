"""Graphs of hypotheses against other ways to the same answer: statsmodels, closed testing, a published example."""

import gc
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm
from statsmodels.stats.multitest import multipletests

from analysis.errors import ModelError
from analysis.statistics.graphical_tests import graphical_test, in_order, sequence_of

P_VALUES = st.lists(st.floats(1e-6, 1), min_size=2, max_size=4)


def equally(count):
    return [1 / count] * count, ((1 - np.eye(count)) / max(count - 1, 1)).tolist()


def by_closed_testing(p_values, weights, transitions):
    """Test every intersection by weighted Bonferroni; its weights come from taking the others out, one after the other."""
    count = len(p_values)
    adjusted = np.zeros(count)
    for size in range(1, count + 1):
        for inside in combinations(range(count), size):
            share, passed = np.array(weights, dtype=float), np.array(transitions, dtype=float)
            for out in (one for one in range(count) if one not in inside):
                new_share, new = share.copy(), np.zeros_like(passed)
                for i in range(count):
                    new_share[i] += share[out] * passed[out, i]
                    for j in range(count):
                        stays = 1 - passed[i, out] * passed[out, i]
                        if out not in (i, j) and i != j and stays > 1e-12:
                            new[i, j] = (passed[i, j] + passed[i, out] * passed[out, j]) / stays
                new_share[out] = 0
                share, passed = new_share, new
            ratios = [p_values[j] / share[j] if share[j] > 0 else np.inf for j in inside]
            for one in inside:
                adjusted[one] = max(adjusted[one], min(1.0, *ratios, np.inf))
    return adjusted


@settings(deadline=None, max_examples=60)
@given(P_VALUES)
def test_equal_weights_that_pass_on_equally_are_holms(p_values):
    found = graphical_test(p_values, *equally(len(p_values)))
    with pytest.MonkeyPatch.context() as patched:  # the garbage of all tests at each call: 19 s
        patched.setattr(gc, "collect", lambda *_: 0)
        rejected, adjusted, *_ = multipletests(p_values, alpha=0.05, method="holm")
    np.testing.assert_allclose(found["adjusted_p_value"], adjusted, rtol=1e-9)
    close = np.isclose(adjusted, 0.05, rtol=1e-6)
    assert (found["rejected"].to_numpy() == rejected)[~close].all()


@settings(deadline=None, max_examples=60)
@given(P_VALUES)
def test_a_chain_is_a_fixed_sequence(p_values):
    count = len(p_values)
    found = graphical_test(p_values, [1.0, *[0.0] * (count - 1)], sequence_of(count))
    np.testing.assert_allclose(found["adjusted_p_value"], np.maximum.accumulate(p_values), rtol=1e-9)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.floats(1e-6, 1), min_size=4, max_size=4), st.sampled_from([(2, 2), (4, 1), (1, 4)]))
def test_outcomes_in_order_are_what_closed_testing_says(p_values, shape):
    weights, transitions = in_order(*shape)
    found = graphical_test(p_values, weights, transitions)
    np.testing.assert_allclose(found["adjusted_p_value"], by_closed_testing(p_values, weights, transitions), rtol=1e-9)


@settings(deadline=None, max_examples=40)
@given(st.data())
def test_any_graph_is_what_closed_testing_says(data):
    count = data.draw(st.integers(2, 4))
    numbers = st.lists(st.floats(0, 1), min_size=count, max_size=count)
    share = np.array(data.draw(numbers)) + 0.01
    passed = np.array([data.draw(numbers) for _ in range(count)]) * (1 - np.eye(count))
    weights, transitions = share / share.sum(), passed / np.maximum(passed.sum(axis=1, keepdims=True), 1)
    p_values = data.draw(st.lists(st.floats(1e-6, 1), min_size=count, max_size=count))
    found = graphical_test(p_values, weights, transitions)
    np.testing.assert_allclose(found["adjusted_p_value"], by_closed_testing(p_values, weights, transitions), rtol=1e-7)


def test_two_primary_and_two_secondary_hypotheses_that_pass_on_crosswise():
    """Bretz et al., Biom J 2011;53:894, figure with two primary (1/2 each) and two secondary hypotheses, one-sided 0.025, p
    values 0.01, 0.005, 0.1 and 0.5 (from memory): both primary ones are rejected, no secondary one."""
    passed = [[0, 0, 1, 0], [0, 0, 0, 1], [0, 1, 0, 0], [1, 0, 0, 0]]
    found = graphical_test([0.01, 0.005, 0.1, 0.5], [0.5, 0.5, 0, 0], passed, level=0.975)
    assert found["rejected"].tolist() == [True, True, False, False]
    assert found["order"].tolist()[:2] == [2, 1]


def test_the_error_over_true_hypotheses_keeps_its_level():
    """2,000 trials of three outcomes of two protocols, correlated 0.5, no difference in the first protocol and a large one in
    the second: a difference of the first is found in at most 5 % (4 standard errors of room)."""
    rng = np.random.default_rng(7)
    normal = rng.multivariate_normal(np.zeros(6), 0.5 * np.eye(6) + 0.5, size=2000)
    normal[:, 1::2] += 4.0

    p_values = 2 * norm.sf(np.abs(normal))
    weights, passed = in_order(3, 2)
    wrong = [graphical_test(one, weights, passed)["rejected"].to_numpy()[::2].any() for one in p_values]
    assert np.mean(wrong) <= 0.05 + 4 * np.sqrt(0.05 * 0.95 / 2000)
    assert np.mean(wrong) > 0.02


def test_a_missing_p_value_is_not_rejected_and_stops_its_chain():
    found = graphical_test([float("nan"), 0.001], [1.0, 0.0], sequence_of(2))
    assert found["rejected"].tolist() == [False, False]
    assert np.isnan(found["adjusted_p_value"].iloc[0])
    assert found["adjusted_p_value"].iloc[1] == 1.0


@pytest.mark.parametrize(
    ("p_values", "weights", "passed", "said"),
    [
        ([0.1], [1, 0], [[0]], "The graph does not fit"),
        ([0.1, 0.2], [0.5, 0.5], [[0, 1]], "The graph does not fit"),
        ([0.1, 1.2], [0.5, 0.5], [[0, 1], [1, 0]], "A p value is below 0 or above 1"),
        ([0.1, 0.2], [0.7, 0.5], [[0, 1], [1, 0]], "are no shares"),
        ([0.1, 0.2], [0.5, 0.5], [[0.5, 0.5], [1, 0]], "are no shares"),
        ([0.1, 0.2], [0.5, 0.5], [[0, -1], [1, 0]], "are no shares"),
    ],
)
def test_what_is_no_graph_is_refused(p_values, weights, passed, said):
    with pytest.raises(ModelError, match=said):
        graphical_test(p_values, weights, passed)
