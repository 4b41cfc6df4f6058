"""Pooling of imputations by its formulas and against a published example."""

import numpy as np
import pytest

from analysis.errors import ModelError
from analysis.statistics.rubin import pool


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
