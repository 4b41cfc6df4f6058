"""Shares by group: the chi-squared test, Holm's adjustment, and no test where there is nothing to test."""

import numpy as np
import pandas as pd
import pytest

from analysis.quarter.access.stratum_counts import Compared, StratumCounts
from analysis.quarter.access.stratum_tests import stratum_shares, stratum_tests

SHARE = Compared("better", "better", "seen", "Better")


def counts(**groups):
    rows = [
        (kind, group, name, n)
        for kind, held in groups.items()
        for group, (better, seen) in held.items()
        for name, n in (("better", better), ("seen", seen))
    ]
    return StratumCounts("2025", "", pd.DataFrame(rows, columns=["kind", "group", "quantity", "value"]))


def test_the_test_is_that_of_a_published_table():
    # Aspirin and myocardial infarction, the Physicians' Health Study (New England Journal of Medicine 1988;318:262), as in
    # Agresti, Categorical Data Analysis, 2.1: 189 of 11,034 and 104 of 11,037; Pearson's X2 of 25.01 on one degree of freedom,
    # p < 0.001 (from memory).
    (found,) = stratum_tests(counts(sex={"placebo": (189, 11_034), "aspirin": (104, 11_037)}), [SHARE])
    assert found.p == pytest.approx(5.7e-7, rel=0.05)
    assert found.lowest == ("aspirin", pytest.approx(104 / 11_037))
    assert found.highest == ("placebo", pytest.approx(189 / 11_034))


def test_all_comparisons_are_adjusted_together():
    found = stratum_tests(
        counts(sex={"a": (60, 100), "b": (40, 100)}, language={"a": (50, 100), "b": (51, 100)}), [SHARE]
    )
    first, second = found
    assert first.p_adjusted == pytest.approx(2 * first.p)
    assert first.differs
    assert second.p_adjusted == pytest.approx(second.p)
    assert not second.differs


def test_what_is_hidden_or_too_small_is_not_tested():
    hidden = counts(sex={"a": (60, 100), "b": (np.nan, np.nan)})
    (found,) = stratum_tests(hidden, [SHARE])
    assert (found.groups, found.judged) == (2, 1)
    assert np.isnan(found.p)
    assert not found.differs
    (small,) = stratum_tests(counts(sex={"a": (1, 12), "b": (2, 13)}), [SHARE])
    assert small.judged == 2
    assert np.isnan(small.p)
    (same,) = stratum_tests(counts(sex={"a": (100, 100), "b": (90, 90)}), [SHARE])
    assert np.isnan(same.p)


def test_shares_have_wilson_intervals_and_nothing_where_hidden():
    table = stratum_shares(counts(sex={"a": (60, 100), "b": (np.nan, 30)}), [SHARE], level=0.95).set_index("group")
    # Wilson score of 60 of 100 (Newcombe 1998, formula; computed by hand): 0.502 to 0.691.
    assert table.loc["a", ["value", "lower", "upper"]].tolist() == pytest.approx([0.6, 0.502, 0.6906], abs=5e-4)
    assert table.loc["b", ["value", "lower", "upper"]].isna().all()
