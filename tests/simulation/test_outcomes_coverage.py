"""Slow: intervals of the outcomes hold the truth as often as they say."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from analysis.outcomes.responders.adjusted_difference import standardise
from analysis.outcomes.thresholds.reliability import reliability
from analysis.statistics.combined_limits import model_difference

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("model_is_right", [True, False])
def test_adjusted_difference_covers_the_true_difference(model_is_right):
    """2,000 trials of 2 x 80 patients; the true marginal difference from 2 million patients. Monte Carlo error of the
    coverage 0.5 points. With a wrong model (the covariate acts by its square) the interval must still hold it."""
    rng = np.random.default_rng(7)

    def chance(x, early):
        return expit(-0.3 + 0.8 * early + (1.2 * x if model_is_right else 0.9 * (x**2 - 1)))

    many = rng.normal(size=2_000_000)
    truth = float((chance(many, 1) - chance(many, 0)).mean())
    held = 0
    for _ in range(2000):
        x = rng.normal(size=160)
        early = rng.permutation(np.repeat([0, 1], 80))
        response = (rng.random(160) < chance(x, early)).astype(float)
        share, covariance = standardise(
            response, pd.Series(np.where(early == 1, "b", "a")), ["a", "b"], pd.DataFrame({"x": x})
        )
        _, _, lower, upper = model_difference(share[::-1], covariance[::-1, ::-1], level=0.95)
        held += lower <= truth <= upper
    assert 0.935 <= held / 2000 <= 0.965


def test_limits_of_agreement_lie_in_their_intervals():
    """Bland and Altman 1999: the true limits, -2 -+ 1.96 x 4, inside their 95 % intervals; 400 samples of 40."""
    rng = np.random.default_rng(8)
    held = np.zeros(2)
    for _ in range(400):
        one = rng.normal(50, 10, 40)
        other = one + rng.normal(-2, 4, 40)
        data = pd.DataFrame({"patient_id": np.tile(np.arange(40), 2), "occasion": np.repeat([1, 2], 40)})
        row = reliability(data.assign(value=np.concatenate([one, other]))).agreement.iloc[0]
        for k, (name, true) in enumerate((("lower_limit", -2 - 7.84), ("upper_limit", -2 + 7.84))):
            held[k] += row[f"{name}_lower"] < true < row[f"{name}_upper"]
    assert (held / 400 > 0.92).all()
    assert (held / 400 < 0.98).all()
