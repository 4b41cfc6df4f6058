"""Whether the spread of sites is tested as it is estimated: what chance leaves, and how often chance is called more."""

import numpy as np
import pytest
from scipy import stats

from analysis.statistics.dispersion import dispersion, normal_sum


def pulled_in(z):
    """Sum of squares of each row, its ends pulled in to the 10 and the 90 % quantiles."""
    low, high = np.quantile(z, [0.1, 0.9], axis=1, keepdims=True)
    return (np.clip(z, low, high) ** 2).sum(axis=1)


def standardised(counts, n, target, kind):
    return (counts / n - target) / np.sqrt((target * (1 - target) if kind == "share" else target) / n)


def test_what_chance_leaves_of_three_and_of_very_many_sites():
    """Three: mean products of normal order statistics (David and Nagaraja, Order Statistics, from memory), less the mean's own
    square. Very many: 0.8 - 2 c phi(c) + 0.2 c^2 at c = 1.2816, the 90 % quantile."""
    e12, e22 = np.sqrt(3) / (2 * np.pi), 1 - np.sqrt(3) / np.pi
    three = 2 * (0.64 * (1 + e12) + 0.32 * e12 + 0.04 * e22) + e22
    assert normal_sum(3, part=0.0)[0] == pytest.approx(three, rel=0.001)
    assert normal_sum(3)[0] == pytest.approx(three - 1, rel=0.001)
    c = stats.norm.isf(0.1)
    assert normal_sum(4000)[0] / 3999 == pytest.approx(0.8 - 2 * c * stats.norm.pdf(c) + 0.2 * c**2, rel=0.002)


def test_the_p_value_is_that_of_the_ratio():
    """Wider by any factor: a larger ratio by its square, and a smaller p value; about 1 where chance is as it is."""
    z = stats.norm.ppf((np.arange(50) + 0.5) / 50)
    found = [dispersion(z * factor, np.full(50, 4000), 0.4) for factor in (0.8, 1.0, 1.3, 2.0)]
    assert [one.ratio / found[1].ratio for one in found] == pytest.approx([0.64, 1.0, 1.69, 4.0])
    assert [one.p_value for one in found] == sorted((one.p_value for one in found), reverse=True)
    assert found[1].ratio == pytest.approx(1, abs=0.06)
    assert 0.3 < found[1].p_value < 0.9


def test_an_outermost_site_moves_neither_estimate_nor_test():
    z = np.random.default_rng(2).normal(size=40)
    z[5] = 3.0
    near = dispersion(z, np.full(40, 500), 0.5)
    z[5] = 30.0
    assert dispersion(z, np.full(40, 500), 0.5) == near


@pytest.mark.slow
@pytest.mark.parametrize("n", [3, 4, 7, 12, 21, 37, 48, 66, 100, 180, 600])
@pytest.mark.parametrize("part", [1.0, 0.4, 0.0])
def test_the_table_of_normal_samples_is_what_they_do(n, part):
    rng = np.random.default_rng(n)
    found = []
    for _ in range(40):
        y = rng.normal(size=(2500, n))
        # A whole of which these sites are a part moves with their mean as much as that part is large.
        shared = part * y.mean(axis=1) + np.sqrt(part * (1 - part) / n) * rng.normal(size=2500)
        found.append(pulled_in(y - shared[:, None]))
    sums = np.concatenate(found)
    mean, variance = normal_sum(n, part)
    assert sums.mean() == pytest.approx(mean, rel=0.01)
    assert sums.var() == pytest.approx(variance, rel=0.05)
    beyond = (stats.gamma.sf(sums, mean**2 / variance, scale=variance / mean) < 0.05).mean()
    assert beyond == pytest.approx(0.05, abs=0.003)  # 100,000 samples: a standard error of 0.07 percentage points


def share_called(rng, n_sites, sizes, target, kind, times):
    """Simulate sites that differ by chance alone; give how often they are said to differ by more."""
    called = []
    for _ in range(times):
        n = rng.integers(sizes[0], sizes[1] + 1, n_sites)
        counts = rng.binomial(n, target) if kind == "share" else rng.poisson(n * target)
        whole = counts.sum() / n.sum()
        if 0 < whole < (1 if kind == "share" else np.inf):
            called.append(dispersion(standardised(counts, n, whole, kind), n, whole, kind).p_value < 0.05)
    return np.sum(called) / times


@pytest.mark.slow
@pytest.mark.parametrize("n_sites", [3, 5, 12, 30, 100])
@pytest.mark.parametrize(
    ("sizes", "target", "kind"),
    [((50, 400), 0.6, "share"), ((50, 400), 0.9, "share"), ((100, 400), 0.3, "rate"), ((4000, 5600), 0.6, "share")],
)
def test_chance_alone_is_called_more_in_one_of_twenty(n_sites, sizes, target, kind):
    times = 2000 if n_sites < 30 else 800
    found = share_called(np.random.default_rng(n_sites), n_sites, sizes, target, kind, times)
    assert found == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / times))  # three standard errors


@pytest.mark.slow
@pytest.mark.parametrize("n_sites", [3, 12, 30, 100])
@pytest.mark.parametrize(
    ("sizes", "target", "kind"),
    [((5, 15), 0.6, "share"), ((5, 15), 0.9, "share"), ((12, 40), 0.7, "share"), ((20, 21), 0.9, "share"),
     ((10, 11), 0.7, "share"), ((12, 40), 0.2, "rate"), ((10, 11), 0.2, "rate"), ((20, 21), 0.2, "rate")],
)  # fmt: skip
def test_small_denominators_are_not_called_more_than_chance_too_often(n_sites, sizes, target, kind):
    """Counts of few are coarse: without their own laws those of 100 sites of 20 were called more in 21 of 100."""
    found = share_called(np.random.default_rng(n_sites), n_sites, sizes, target, kind, 500)
    assert found <= 0.05 + 0.027  # 500 samples: a standard error of one percentage point
