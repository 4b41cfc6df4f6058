"""Pooling of imputations by its formulas and against a published example."""

import numpy as np
import pytest

from analysis.errors import ModelError
from analysis.statistics.rubin import pool, pool_shares


def test_pooling_follows_rubin_and_barnard():
    """Rubin 1987, (3.1.2) to (3.1.6); Barnard & Rubin 1999, (3): W = 1, B = 1, M = 3 gives T = 7/3, share 4/7,
    df (M - 1) / share^2 = 6.125, and with 20 degrees of freedom in whole data 1 / (1/6.125 + 1/(21/23 x 20 x 3/7))."""
    row = pool([2.0, 3.0, 4.0], [1.0, 1.0, 1.0]).iloc[0]
    assert row[["estimate", "std_error", "df", "missing_information"]].tolist() == pytest.approx(
        [3, (7 / 3) ** 0.5, 6.125, 4 / 7]
    )
    small = pool([2.0, 3.0, 4.0], [1.0, 1.0, 1.0], df=20).iloc[0]
    assert small["df"] == pytest.approx(1 / (1 / 6.125 + 1 / (21 / 23 * 20 * 3 / 7)))
    assert small["upper"] - small["lower"] > row["upper"] - row["lower"]


def test_pooling_reproduces_a_published_example():
    """SAS/STAT user's guide, procedure MIANALYZE, example 64.1 (means of three variables of 31 persons, five imputations,
    30 degrees of freedom). Imputed means and errors read in the guide; pooled values from memory of its output, which
    the inputs, printed to five digits, give to within their rounding."""
    means = [
        [47.0120, 10.4441, 171.216],
        [47.2407, 10.5040, 171.244],
        [47.4995, 10.5922, 171.909],
        [47.1485, 10.5279, 171.146],
        [47.0042, 10.4913, 172.072],
    ]
    errors = [
        [0.95984, 0.28520, 1.59910],
        [0.93540, 0.26661, 1.75638],
        [1.00766, 0.26302, 1.85795],
        [0.95439, 0.26405, 1.75011],
        [0.96528, 0.27275, 1.84807],
    ]
    pooled = pool(means, np.square(errors), df=30)
    assert pooled["df"].tolist() == pytest.approx([26.298, 26.503, 25.463], abs=1e-3)
    oxygen = pooled.iloc[0]
    assert oxygen[["estimate", "std_error"]].tolist() == pytest.approx([47.180993, 0.990266], abs=2e-5)
    assert oxygen[["lower", "upper"]].tolist() == pytest.approx([45.1466, 49.2154], abs=5e-5)


def test_without_gaps_pooling_gives_the_plain_interval():
    row = pool([3.0, 3.0], [4.0, 4.0], df=10).iloc[0]
    assert row["df"] == pytest.approx(11 / 13 * 10)
    assert row["missing_information"] == 0
    with pytest.raises(ModelError, match="two imputations or more"):
        pool([1.0], [1.0])


def test_shares_without_gaps_have_the_interval_of_newcombe():
    """Newcombe, Stat Med 1998;17:873, method 10: 56/70 against 48/80 is 0.2, 0.0524 to 0.3339."""
    row = pool_shares([[0.2]] * 2, [[0.01]] * 2, [[0.6, 0.8]] * 2, [80, 70], 0).iloc[0]
    assert row[["estimate", "lower", "upper"]].tolist() == pytest.approx([0.2, 0.0524, 0.3339], abs=5e-5)


def test_gaps_widen_the_interval_of_shares_alike_on_both_sides():
    """The other group as the base turns the interval round: what the gaps leave of a group is counted for both."""
    shares = np.array([[0.55, 0.8], [0.65, 0.8], [0.6, 0.9]])
    gap, error = shares[:, [1]] - shares[:, [0]], np.full((3, 1), 0.005)
    one = pool_shares(gap, error, shares, [80, 70], 0).iloc[0]
    other = pool_shares(-gap, error, shares, [80, 70], 1).iloc[0]
    assert one["missing_information"] > 0.3
    assert [other["lower"], other["upper"]] == pytest.approx([-one["upper"], -one["lower"]])
