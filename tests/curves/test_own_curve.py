"""The expected curve of a patient that the fit has not seen: conditional normal distribution, written out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from analysis.curves.mixed_model import fit_mixed
from analysis.curves.own_curve import expected_given_visits
from analysis.errors import ModelError

from .cohort_of_visits import visits


def test_of_a_patient_of_the_fit_it_is_the_expected_curve() -> None:
    frame = visits(60, slope_sd=0.6)
    fit = fit_mixed(frame, "value ~ protocol * week + baseline")
    patient = frame["patient_id"].iloc[0]
    own = frame[frame["patient_id"] == patient]
    wanted = own.iloc[[-1, -1]].assign(week=[26.0, 52.0])
    got = expected_given_visits(fit, own, wanted).drop(columns="prediction_error")
    pd.testing.assert_frame_equal(
        got, fit.expected_curve(patient, weeks=[26, 52]).drop(columns="observed"), rtol=1e-9, check_like=True
    )


def test_of_a_new_patient_it_is_the_conditional_normal_distribution() -> None:
    frame = visits(60, slope_sd=0.6)
    fit = fit_mixed(frame, "value ~ week", inference="normal")
    new = pd.DataFrame({"week": [0.0, 6.0], "value": [41.0, 47.0]})
    wanted = pd.DataFrame({"week": [12.0, 26.0]})
    weeks = np.array([0.0, 6.0, 12.0, 26.0])
    X = np.column_stack([np.ones(4), weeks])
    error = fit.covariance_parameters["estimate"].iloc[-1]
    V = X @ fit.patient_covariance.to_numpy() @ X.T + error * np.eye(4)
    mean = X @ fit.coefficients["estimate"].to_numpy(dtype=float)
    gain = V[2:, :2] @ np.linalg.inv(V[:2, :2])
    table = expected_given_visits(fit, new, wanted, level=0.9)
    assert_allclose(table["estimate"], mean[2:] + gain @ (new["value"] - mean[:2]), rtol=1e-8)
    # The uncertainty of the coefficients adds (x - gain X) Phi (x - gain X)'.
    pull = X[2:] - gain @ X[:2]
    variances = [fit.contrast(row)["std_error"].item() ** 2 for row in ([1, 0], [0, 1], [1, 1])]
    between = (variances[2] - variances[0] - variances[1]) / 2
    Phi = np.array([[variances[0], between], [between, variances[1]]])
    spread = V[2:, 2:] - gain @ V[:2, 2:] + pull @ Phi @ pull.T
    assert_allclose(table["prediction_error"], np.sqrt(np.diag(spread)), rtol=1e-7)
    z = stats.norm.ppf(0.95)
    assert_allclose(table["prediction_upper"], table["estimate"] + z * np.sqrt(np.diag(spread)), rtol=1e-8)


def test_without_visits_it_is_the_mean_curve() -> None:
    frame = visits(60, slope_sd=0.6)
    fit = fit_mixed(frame, "value ~ week", inference="normal")
    wanted = pd.DataFrame({"week": [6.0, 12.0]})
    table = expected_given_visits(fit, pd.DataFrame({"week": [], "value": []}), wanted)
    assert_allclose(table["estimate"], fit.predict(wanted)["estimate"])
    assert (table["prediction_error"] > table["std_error"]).all()


def test_a_week_that_the_structure_does_not_know_is_refused() -> None:
    frame = visits(60)
    fit = fit_mixed(frame, "value ~ C(week)", patient_effects=None, residual="unstructured")
    new = pd.DataFrame({"week": [13.5], "value": [40.0]})
    with pytest.raises(ModelError, match=r"knows the weeks of the schedule only, not week 13\.5"):
        expected_given_visits(fit, new, pd.DataFrame({"week": frame["week"].unique()[-1:]}))


def test_a_visit_without_a_value_is_refused() -> None:
    fit = fit_mixed(visits(60, slope_sd=0.6), "value ~ week")
    new = pd.DataFrame({"week": [6.0], "value": [np.nan]})
    with pytest.raises(ModelError, match="has no value or no week"):
        expected_given_visits(fit, new, pd.DataFrame({"week": [12.0]}))
