"""The Kenward-Roger F test near its poles: against exact arithmetic, and against the t test of the same contrast."""

from __future__ import annotations

import itertools
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from analysis.curves.engine.small_sample import matched_moments
from analysis.curves.mixed_model import fit_mixed

from ..cohort_of_visits import visits

NEAR = [10.0**-k for k in range(1, 13, 2)]


def published(q: int, A1: Fraction, A2: Fraction) -> tuple[Fraction, Fraction]:
    """Kenward & Roger 1997, Biometrics 53(3), p. 987, as printed, in exact arithmetic."""
    B = (A1 + 6 * A2) / (2 * q)
    g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
    below = 3 * q + 2 * (1 - g)
    c1, c2, c3 = g / below, (q - g) / below, (q + 2 - g) / below
    rho = ((1 - A2 / q) / (1 - c2 * B)) ** 2 * (1 + c1 * B) / (1 - c3 * B) / q
    df = 4 + (q + 2) / (q * rho - 1)
    return df, df * (1 - A2 / q) / (df - 2)


def divisors(q: int, A1: float, A2: float) -> list[float]:
    """Everything that the printed form divides by, and df - 2, by which its factor of F is divided."""
    B = (A1 + 6 * A2) / (2 * q)
    g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
    below = 3 * q + 2 * (1 - g)
    c1, c2, c3 = g / below, (q - g) / below, (q + 2 - g) / below
    x, y, top, bottom = 1 - A2 / q, 1 - c2 * B, 1 + c1 * B, 1 - c3 * B
    finite = x**2 * top - y**2 * bottom  # q rho - 1, without its divisors
    at_two = 2 * finite + (q + 2) * y**2 * bottom  # df - 2, likewise
    return [x, y, bottom, finite, at_two]


def poles(q: int, share: float) -> list[float]:
    """A2 between 0 and 2 q at which a divisor changes its sign, for A1 = share * A2, by halving."""
    grid = [k / 97 * q for k in range(1, 195)]
    found = []
    for number in range(5):
        values = [divisors(q, share * A2, A2)[number] for A2 in grid]
        for low, high, left, right in zip(grid, grid[1:], values, values[1:], strict=False):
            if left * right >= 0:
                continue
            for _ in range(60):
                middle = (low + high) / 2
                value = divisors(q, share * middle, middle)[number]
                low, high = (middle, high) if value * left > 0 else (low, middle)
            found.append(low)
    return found


@pytest.mark.parametrize("q", [2, 3, 4, 7, 12])
def test_moments_agree_with_exact_arithmetic_close_to_every_pole(q: int) -> None:
    """Both numbers agree to 1e-8 of their size, times how near the pole is where it is a true one; nothing is given where
    the printed form has no F distribution."""
    compared = refused = 0
    for share, sign, near in itertools.product((1.0, 1 - 1e-5, 0.999, 0.95, 0.7, 0.05), (-1.0, 1.0), NEAR):
        exact = Fraction(q) * Fraction(share)
        for pole in poles(q, q * share):
            A2 = pole * (1.0 + sign * near)
            A1 = float(exact * Fraction(A2))
            df, scale = published(q, exact * Fraction(A2) if share == 1.0 else Fraction(A1), Fraction(A2))
            got = matched_moments(q, A1, A2)
            exists = df > 2 and scale > 0 and q > A2
            if share < 1.0 and not exists:
                assert got is None
                refused += 1
                continue
            assert got is not None
            assert got[0] == pytest.approx(float(df), rel=1e-8 + 1e-14 / near)
            assert got[1] == pytest.approx(float(scale), rel=1e-8 + 1e-14 / near)
            compared += 1
    assert compared > 100
    assert refused > 30


@pytest.mark.parametrize("q", [1, 2, 5])
@pytest.mark.parametrize("df", [0.7, 1.0, 2.0, 2.0 + 1e-13, 3.9, 4.0, 4.0 - 1e-12, 17.0, 1e6])
def test_an_exact_f_test_stays_exact_at_every_denominator(q: int, df: float) -> None:
    """In a balanced split plot A1 = q A2 = 2 q^2 / df: the test is the F test of the analysis of variance, unscaled."""
    A2 = 2.0 * q / df
    for noise in (0.0, 1e-13, -1e-13):
        found = matched_moments(q, q * A2 * (1.0 + noise), A2)
        assert found is not None
        assert found[0] == pytest.approx(df, rel=1e-10)
        assert found[1] == pytest.approx(1.0, rel=1e-10)


def test_no_f_distribution_has_such_moments() -> None:
    """A scale below zero or a df of at most 2 off the exact case: the published form gives nonsense, this gives nothing."""
    df, scale = published(3, Fraction(27, 10) * Fraction(297, 100), Fraction(297, 100))
    assert scale < 0 < df < 2
    assert matched_moments(3, 2.7 * 2.97, 2.97) is None


def test_without_uncertainty_of_the_covariance_the_test_is_chi_square() -> None:
    assert matched_moments(3, 0.0, 0.0) == (np.inf, 1.0)


def whole_plots(blocks: int, levels: int) -> pd.DataFrame:
    """Whole plots of four weeks; the treatment of a plot is decided by block."""
    rng = np.random.default_rng(4)
    rows = [
        (f"{block}{level}", f"level {level}", f"block {block}", week, rng.normal() + shared)
        for block in range(blocks)
        for level in range(levels)
        for shared in [rng.normal()]
        for week in (1, 2, 3, 4)
    ]
    return pd.DataFrame(rows, columns=["plot", "treatment", "block", "week", "value"])


@pytest.mark.parametrize(("blocks", "levels", "df"), [(3, 2, 2), (2, 3, 2), (3, 3, 4), (2, 2, 1)])
def test_a_whole_plot_factor_has_the_f_test_of_the_analysis_of_variance(blocks: int, levels: int, df: int) -> None:
    """Balanced split plot: F of the treatment is its mean square over that of block by treatment, whatever the df."""
    frame = whole_plots(blocks, levels)
    fit = fit_mixed(frame, "value ~ block + treatment + C(week)", patient="plot", patient_effects="1")
    assert not fit.boundary
    got = fit.test("treatment").iloc[0]
    means = frame.pivot_table(index="block", columns="treatment", values="value")
    by_treatment = means.mean() - means.to_numpy().mean()
    left = means.sub(means.mean(axis=1), axis=0) - by_treatment
    wanted = (blocks * (by_treatment**2).sum() / (levels - 1)) / ((left**2).to_numpy().sum() / df)
    assert got["df_numerator"] == levels - 1
    assert got["df"] == pytest.approx(df, rel=1e-8)
    assert got["statistic"] == pytest.approx(wanted, rel=1e-8)


@pytest.mark.parametrize("inference", ["kenward-roger", "kenward-roger-linear", "satterthwaite"])
def test_one_contrast_is_tested_by_its_t_squared(inference) -> None:
    frame = visits(patients=14, seed=3)
    fit = fit_mixed(frame, "value ~ protocol + week", patient_effects="1", inference=inference)
    row, joint = fit.coefficients.loc["week"], fit.test("week").iloc[0]
    assert joint["statistic"] == pytest.approx(row["statistic"] ** 2, rel=1e-12)
    assert joint["df"] == pytest.approx(row["df"], rel=1e-12)
    assert joint["p_value"] == pytest.approx(row["p_value"], rel=1e-10)
