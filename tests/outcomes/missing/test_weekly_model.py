"""The joint model of the weeks: its draws, the patterns of gaps, and what it is refused for."""

from functools import partial

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes import choose_endpoint, missing_data_analyses, probability_of_response, tipping_point
from analysis.outcomes.missing.gaps import patterns
from analysis.outcomes.missing.weekly_model import fit_weekly

from ..trial_with_error import trial


@pytest.mark.slow
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


def test_a_model_fitted_before_serves_all_that_is_computed_from_it(rng):
    cohort, _ = trial(rng, n=80, lost=0.2)
    endpoint, model = choose_endpoint(cohort, "ikdc", week=26, threshold=15), fit_weekly(cohort, "ikdc")
    for make, shown in (
        (missing_data_analyses, "differences"),
        (tipping_point, "table"),
        (partial(probability_of_response, measurement_error=5, free=False), "table"),
    ):
        given, own = (make(cohort, endpoint, model=one, draws=3) for one in (model, None))
        pd.testing.assert_frame_equal(getattr(given, shown), getattr(own, shown), check_exact=True)


def test_a_model_of_something_else_is_refused(rng):
    cohort, _ = trial(rng, n=40)
    endpoint, model = choose_endpoint(cohort, "ikdc", week=26, threshold=15), fit_weekly(cohort, "ikdc")
    fewer = Cohort(
        cohort.patients.iloc[:30], cohort.visits[cohort.visits["patient_id"].isin(cohort.patients["patient_id"][:30])]
    )
    others = Cohort(cohort.patients.assign(site=pd.Categorical(["A", "B"] * 20)), cohort.visits)
    for asked, of in ((fewer, "ikdc, 30 patients"), (others, "ikdc with site, 40 patients")):
        covariates = ["site"] if "site" in asked.patients else []
        with pytest.raises(ModelError, match=f"(?s)not of what is asked.*the model: ikdc, 40 patients; asked: {of}"):
            tipping_point(asked, endpoint, model=model, covariates=covariates, draws=2)
