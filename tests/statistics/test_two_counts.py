"""Exact tests of two shares and two rates against scipy's own, which know nothing of each other."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.statistics.two_counts import two_counts


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 300), st.integers(1, 3000), st.floats(0, 1), st.floats(0, 1))
def test_shares_as_one_sided_fisher_tests_have_them(n, others, a, b):
    count, rest = round(a * n), round(b * others)
    table = [[count, n - count], [rest, others - rest]]
    tails = [stats.fisher_exact(table, alternative=way).pvalue for way in ("less", "greater")]
    assert two_counts("share", (count, n), (rest, others)) == pytest.approx(
        min(1.0, 2 * min(tails)), rel=1e-6, abs=1e-12
    )


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 60), st.integers(0, 600), st.floats(1, 500), st.floats(1, 5000))
def test_rates_as_one_sided_binomial_tests_have_them(count, rest, time, others):
    p_value = two_counts("rate", (count, time), (rest, others))
    if count + rest == 0:
        assert p_value == 1.0
        return
    part = time / (time + others)
    tails = [stats.binomtest(count, count + rest, part, alternative=way).pvalue for way in ("less", "greater")]
    assert p_value == pytest.approx(min(1.0, 2 * min(tails)), rel=1e-6, abs=1e-12)


def test_the_share_by_hand():
    """3 of 10 against 7 of 10: of 184756 ways to choose 10 of 20, those with 3 or fewer are 120^2 + 45^2 + 10^2 + 1 = 16526."""
    assert two_counts("share", (3, 10), (7, 10)) == pytest.approx(2 * 16526 / 184756)
