"""The joint model of the weeks: its draws, the patterns of gaps, and what it is refused for."""

import numpy as np
import pytest

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.missing.gaps import patterns
from analysis.outcomes.missing.weekly_model import fit_weekly

from ..trial_with_error import trial


def test_draws_scatter_like_their_standard_errors(rng):
    """Coefficients: the model's own standard errors; covariance elements: those of the observed information (2,000
    draws, within 8 %)."""
    cohort, _ = trial(rng, n=200, lost=0.2)
    model = fit_weekly(cohort, "ikdc")
    drawn = list(model.draws(2000, rng))
    spread = np.std([one for one, _ in drawn], axis=0)
    np.testing.assert_allclose(spread, model.fit.coefficients["std_error"], rtol=0.08)
    place = np.tril_indices(3)
    elements = np.std([V[place] for _, V in drawn], axis=0)
    theta_order = model.fit.covariance_parameters["std_error"].to_numpy()
    assert sorted(elements) == pytest.approx(sorted(theta_order), rel=0.08)


def test_patterns_cover_everyone_once(rng):
    values = np.where(rng.random((50, 4)) < 0.5, np.nan, 1.0)
    rows = np.concatenate([rows for _, rows in patterns(values)])
    assert sorted(rows) == list(range(50))


def test_no_schedule_and_nobody_of_a_protocol(rng):
    cohort, _ = trial(rng, n=60)
    with pytest.raises(ModelError, match="needs a schedule of two weeks or more"):
        fit_weekly(Cohort(cohort.patients, cohort.visits[cohort.visits["week"] == 0]), "ikdc")
    early = cohort.patients.loc[cohort.patients["protocol"] == "early", "patient_id"]
    with pytest.raises(ModelError, match=r"Nobody of early was ever seen, so nothing is known of that protocol\."):
        fit_weekly(Cohort(cohort.patients, cohort.visits[~cohort.visits["patient_id"].isin(early)]), "ikdc")
    with pytest.raises(ModelError, match=r"There is no covariate 'site'\."):
        fit_weekly(cohort, "ikdc", covariates=["site"])
