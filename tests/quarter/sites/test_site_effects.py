"""Sites against what is expected of them: R's numerical integration and glmer, ends, and coverage."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, logit

from analysis.quarter.sites.site_effects import scale_expected, shrink


def two(n, first, second):
    """Chances of n patients, half of them the first, the rest the second."""
    return np.r_[np.full(n // 2, first), np.full(n - n // 2, second)]


def shrunk(observed, chances, share, **options):
    table = pd.DataFrame(
        {
            "site": [f"site {k}" for k in range(len(observed))],
            "n": [len(one) for one in chances],
            "observed": observed,
            "expected": [one.sum() for one in chances],
        }
    )
    return shrink(table, chances, share, **options)


# R 4.2.2, nested integrate() to a relative 1e-9 and uniroot() to 1e-8, no code shared: for each site the likelihood of a
# move b of all its log odds, b normal about 0 with a standard deviation that is half-normal (scale 0.5) on 0 to 3.
# Adjusted (maximum likelihood), then median, 2.5 % and 97.5 % of the posterior, as shares of the whole moved by b.
R_CASES = {
    "rare": (
        [0, 9, 2, 5], [two(40, 0.03, 0.07), two(60, 0.03, 0.08), two(30, 0.04, 0.04), two(120, 0.02, 0.06)], 0.05,
        [(0.000000, 0.037376, 0.008486, 0.071848), (0.140361, 0.087362, 0.046685, 0.179523),
         (0.082759, 0.054343, 0.023857, 0.133839), (0.052083, 0.050074, 0.025044, 0.089973)], 0.521722,
    ),
    "common": (
        [18, 45, 70, 30], [two(30, 0.9, 0.95), two(50, 0.85, 0.97), two(72, 0.9, 0.96), two(30, 0.93, 0.93)], 0.93,
        [(0.607168, 0.691190, 0.509877, 0.839425), (0.921624, 0.926067, 0.850709, 0.969113),
         (0.972464, 0.962979, 0.913766, 0.988748), (1.000000, 0.968813, 0.903626, 0.994891)], 0.944306,
    ),
    "middle": (
        [30, 12, 4], [two(50, 0.4, 0.6), two(20, 0.3, 0.7), two(12, 0.5, 0.5)], 0.5,
        [(0.603986, 0.539374, 0.459062, 0.676292), (0.617987, 0.520438, 0.413396, 0.700781),
         (0.333333, 0.476925, 0.271714, 0.587898)], 0.336288,
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", list(R_CASES))
def test_estimates_and_limits_as_r_integrates_them(case):
    observed, chances, share, expected, between = R_CASES[case]
    found, spread = shrunk(observed, chances, share)
    columns = ["adjusted", "estimate", "lower", "upper"]
    assert found[columns].to_numpy() == pytest.approx(np.array(expected), abs=2e-5)
    assert spread == pytest.approx(between, abs=2e-5)


def test_estimates_are_near_those_of_glmer():
    """R 4.2.2, lme4: glmer(cbind(O, n - O) ~ 0 + offset(qlogis(.12)) + (1 | site), family = binomial(), nAGQ = 25), standard
    deviation 0.9125; plogis of offset and ranef. It takes its one estimate of the standard deviation for known, ours
    averages (mean 0.84): within 1.1 percentage points."""
    n = [12, 35, 60, 22, 90, 15, 48, 70, 33, 120, 25, 40, 18, 55, 80, 28, 65, 30, 100, 20]
    observed = [1, 7, 4, 0, 7, 2, 1, 25, 5, 39, 0, 6, 2, 6, 5, 6, 1, 0, 23, 2]
    glmer = [0.1018, 0.1830, 0.0766, 0.0509, 0.0832, 0.1277, 0.0465, 0.3347, 0.1439, 0.3129, 0.0479, 0.1438, 0.1146, 0.1110,
             0.0712, 0.1908, 0.0382, 0.0437, 0.2212, 0.1075]  # fmt: skip
    found, between = shrunk(observed, [np.full(one, 0.12) for one in n], 0.12)
    assert found["estimate"].tolist() == pytest.approx(glmer, abs=0.011)
    assert between == pytest.approx(0.9125, rel=0.1)


def test_estimates_lie_between_the_whole_and_what_was_observed():
    observed, n = np.array([0, 3, 20, 38, 40]), np.full(5, 40)
    found, _ = shrunk(observed, [np.full(40, 0.6)] * 5, 0.6)
    low, high = np.minimum(observed / n, 0.6), np.maximum(observed / n, 0.6)
    assert found["adjusted"].tolist() == pytest.approx((observed / n).tolist())
    assert found["estimate"].between(low, high).all()
    assert (found["lower"] < found["estimate"]).all()
    assert (found["estimate"] < found["upper"]).all()
    assert found["shrinkage"].between(0, 1).all()


def test_large_sites_keep_what_was_observed():
    """20,000 patients: the interval is that of a share of its own, 0.55 -+ 1.96 x 0.0035, all but for shrinkage of 0.03 points."""
    found, _ = shrunk([11_000, 10_000, 9_000], [np.full(20_000, 0.5)] * 3, 0.5)
    assert found.loc[0, ["estimate", "lower", "upper"]].tolist() == pytest.approx([0.55, 0.5431, 0.5569], abs=6e-4)
    assert (found["shrinkage"] < 0.02).all()


def test_expected_counts_are_scaled_within_what_is_possible():
    scaled = scale_expected([100, 100, 50], [90, 99, 50], 247)
    assert scaled.sum() == pytest.approx(247)
    assert (scaled < [100, 100, 50 + 1e-9]).all()
    odds = scaled[:2] / (100 - scaled[:2])
    assert odds[1] / odds[0] == pytest.approx((99 / 1) / (90 / 10))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("share", "spread", "least"), [(0.05, 0.4, 0.91), (0.93, 0.8, 0.90), (0.5, 0.4, 0.91), (0.6, 0.8, 0.92)]
)
def test_intervals_hold_the_truth(share, spread, least):
    """150 times 12 sites of 10 to 80 patients; Monte Carlo error of the coverage about 0.6 points. A spread of 0.8 is far
    out for the prior (scale 0.5), so the intervals hold a little less than 95 %."""
    rng = np.random.default_rng(4)
    held = []
    for _ in range(150):
        move = rng.normal(0, spread, 12)
        chances = [expit(logit(share) + rng.normal(0, 0.5, n)) for n in rng.integers(10, 80, 12)]
        pairs = zip(chances, move, strict=True)
        observed = [int((rng.random(len(one)) < expit(logit(one) + by)).sum()) for one, by in pairs]
        found, _ = shrunk(observed, chances, share)
        truth = expit(logit(share) + move)
        held += list((found["lower"] <= truth) & (truth <= found["upper"]))
    assert np.mean(held) >= least
