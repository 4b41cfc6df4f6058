"""Ratios and odds ratios of shares against R and SciPy, empty cells, and the level that they hold."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.stats import contingency

from analysis.statistics.ratios import share_ratios


def ratios_of(yes, n, other_yes, other_n, level=0.95):
    """Rows of the ratios of one or several groups to a reference."""
    table = pd.DataFrame({"responders": [other_yes, *yes], "n": [other_n] + [n] * len(yes)})
    table["protocol"] = [f"group {i}" for i in table.index]
    return share_ratios(table, "group 0", level=level)


@pytest.mark.parametrize(
    ("counts", "ratio"),
    [
        ((22, 117, 42, 116), 0.519332519332519),
        ((12, 117, 41, 116), 0.290181363352095),
        ((24, 117, 52, 116), 0.457593688362919),
        ((24, 117, 46, 116), 0.517279821627648),
    ],
)
def test_ratios_of_the_licorice_gargle_trial(counts, ratio):
    """R, package medicaldata, licorice_gargle: ratio of any throat pain."""
    a, n, c, m = counts
    row = ratios_of([a], n, c, m).iloc[0]
    assert row["ratio"] == pytest.approx(ratio, rel=1e-12)
    assert row["odds_ratio"] == pytest.approx(a * (m - c) / (n - a) / c, rel=1e-12)


# R 4.2.2, at the level of the key: roots (uniroot) of p1 - R p2 -+ sqrt((p1 - l1)^2 + R^2 (u2 - p2)^2) and its mirror,
# l and u the limits of binom.test.
R_LIMITS = {
    (22, 117, 42, 116, 0.95): (0.318331, 0.821474),
    (1, 1, 10, 20, 0.95): (0.049867, 3.677040),
    (0, 20, 5, 10, 0.95): (0.0, 0.431902),
    (5, 10, 0, 20, 0.95): (2.315339, math.inf),
    (9, 10, 3, 10, 0.95): (1.189840, 13.507850),
    (9, 10, 3, 10, 0.90): (1.326658, 10.336927),
    (10, 10, 0, 10, 0.95): (3.083417, math.inf),
    (2, 4, 30, 40, 0.95): (0.089926, 1.308765),
}


@pytest.mark.parametrize("case", list(R_LIMITS))
def test_limits_of_ratios_as_r_and_scipy_have_them(case):
    yes, n, other_yes, other_n, level = case
    row = ratios_of([yes], n, other_yes, other_n, level).iloc[0]
    assert row[["ratio_lower", "ratio_upper"]].tolist() == pytest.approx(R_LIMITS[case], rel=1e-5)
    table = [[yes, n - yes], [other_yes, other_n - other_yes]]
    exact = contingency.odds_ratio(table, kind="conditional").confidence_interval(level)
    assert row[["odds_ratio_lower", "odds_ratio_upper"]].tolist() == pytest.approx([exact.low, exact.high], rel=1e-6)


@pytest.mark.parametrize(
    ("counts", "ratio", "odds"),
    [
        ((0, 20, 5, 10), 0.0, 0.0),
        ((5, 10, 0, 20), math.inf, math.inf),
        ((1, 1, 10, 20), 2.0, math.inf),
        ((0, 10, 0, 20), math.nan, math.nan),
        ((10, 10, 20, 20), 1.0, math.nan),
        ((0, 0, 5, 20), math.nan, math.nan),
    ],
)
def test_empty_cells(counts, ratio, odds):
    row = ratios_of([counts[0]], *counts[1:]).iloc[0]
    for name, value in (("ratio", ratio), ("odds_ratio", odds)):
        np.testing.assert_equal(row[name], value)
        assert row[[f"{name}_lower", f"{name}_upper"]].notna().all() == (not math.isnan(value))


def check_ratios_of(n, other_n):
    """Enumerate all counts of two groups; estimates within their limits, coverage of 94 % at least wherever shares lie."""
    places = np.array([0.01, 0.05, 0.1, 0.3, 0.5, 0.6, 0.8, 0.9, 0.95, 0.99])
    p, q = np.meshgrid(places, places, indexing="ij")
    covered = {"ratio": np.zeros(p.shape), "odds_ratio": np.zeros(p.shape)}
    truth = {"ratio": p / q, "odds_ratio": p / (1 - p) / (q / (1 - q))}
    for other_yes in range(other_n + 1):
        rows = ratios_of(range(n + 1), n, other_yes, other_n)
        for name, total in covered.items():
            estimate, lower, upper = (rows[f"{name}{end}"].to_numpy() for end in ("", "_lower", "_upper"))
            known = ~np.isnan(estimate)
            assert (lower[known] <= estimate[known] * (1 + 1e-12)).all()
            assert (estimate[known] <= upper[known] * (1 + 1e-12)).all()
            for yes in range(n + 1):  # where there is no estimate, nothing false is claimed
                chance = stats.binom.pmf(yes, n, p) * stats.binom.pmf(other_yes, other_n, q)
                total += chance * ~((truth[name] < lower[yes] - 1e-9) | (truth[name] > upper[yes] + 1e-9))
    for name, total in covered.items():
        assert total.min() >= 0.94, name


@pytest.mark.parametrize(("n", "other_n"), [(5, 5), (12, 5), (5, 20)])
def test_ratios_hold_their_level(n, other_n):
    check_ratios_of(n, other_n)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "other_n"), [(5, 100), (100, 5), (30, 60), (50, 50), (20, 20)])
def test_ratios_hold_their_level_in_larger_groups(n, other_n):
    check_ratios_of(n, other_n)


def test_large_groups_take_no_time_and_agree_with_the_logarithm():
    """200,000 patients: limits of Woolf (1955) and Katz (1978) by hand, with which all methods agree there."""
    row = ratios_of([90_000], 200_000, 80_000, 200_000).iloc[0]
    half = 1.959963984540054 * math.sqrt(1 / 90_000 + 1 / 110_000 + 1 / 80_000 + 1 / 120_000)
    assert row["odds_ratio_lower"] == pytest.approx(row["odds_ratio"] * math.exp(-half), rel=1e-4)
    half = 1.959963984540054 * math.sqrt(1 / 90_000 + 1 / 80_000 - 2 / 200_000)
    assert row["ratio_upper"] == pytest.approx(row["ratio"] * math.exp(half), rel=1e-4)
