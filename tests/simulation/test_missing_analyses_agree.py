"""Slow: imputation at random, the mixed model and a shift of 0 agree; a thousand imputations take seconds."""

import numpy as np
import pytest

from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.missing.missing_analyses import missing_data_analyses
from analysis.outcomes.missing.tipping_point import tipping_point
from analysis.outcomes.true_response.probability_of_response import probability_of_response
from synthetic_cohort import generate_cohort

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("seed", [3, 4])
def test_imputation_the_mixed_model_and_a_shift_of_zero(seed):
    """900 patients, 1,500 imputations. Monte Carlo error of a pooled estimate: its standard error times the root of the
    share of missing information (below a third here) over the imputations; bound at 4 of them. The mixed model is
    fitted to other columns (baseline as covariate instead of outcome, one or the other way of letting it act by week),
    which moves it by a few per cent of a standard error: 0.1 more."""
    cohort = generate_cohort(patients=900, seed=seed).observed
    table = missing_data_analyses(cohort, choose_endpoint(cohort, "ikdc", week=26), draws=1500).differences.set_index(
        ["analysis", "assumption"]
    )
    imputed = table.loc[("multiple imputation", "missing at random")].set_index("protocol")
    mixed = table.loc[("mixed model", "missing at random")].set_index("protocol")
    noise = 4 * imputed["std_error"] * (1 / 3 / 1500) ** 0.5
    assert ((imputed["difference"] - mixed["difference"]).abs() < noise + 0.1 * imputed["std_error"]).all()
    np.testing.assert_allclose(imputed["std_error"], mixed["std_error"], rtol=0.08)
    shift = tipping_point(
        cohort, choose_endpoint(cohort, "ikdc", week=26, criterion=None), draws=1500, seed=9, deltas=[-5, 5]
    ).table
    zero = shift[shift["delta"] == 0].set_index("protocol")
    assert ((zero["difference"] - imputed["difference"]).abs() < 2**0.5 * noise).all()
    np.testing.assert_allclose(zero["std_error"], imputed["std_error"], rtol=0.02)


@pytest.mark.filterwarnings("ignore::analysis.errors.DistributionWarning")
@pytest.mark.parametrize("patients", [200, 20_000])
@pytest.mark.parametrize(
    "run",
    [
        lambda cohort, tell: tipping_point(
            cohort, choose_endpoint(cohort, "ikdc", week=26, criterion=None), draws=1000, tell=tell
        ),
        lambda cohort, tell: missing_data_analyses(
            cohort, choose_endpoint(cohort, "ikdc", week=26), draws=250, tell=tell
        ),
        lambda cohort, tell: probability_of_response(
            cohort, choose_endpoint(cohort, "ikdc", week=26), measurement_error=5, free=False, draws=1000, tell=tell
        ),
    ],
    ids=["tipping point", "analyses, four times 250", "probability"],
)
def test_a_thousand_imputations(patients, run):
    """However many patients, progress is told all the way."""
    cohort = generate_cohort(patients=patients, seed=1).observed
    told = []
    run(cohort, lambda *at: told.append(at))
    assert told[-1] == (1000, 1000)
    assert len(told) == 100
