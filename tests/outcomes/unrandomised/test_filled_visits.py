"""The mixed model as the outcome model: missed visits beside the patient's own curve, and fits without each patient."""

import numpy as np
import pandas as pd
import pytest

from analysis.curves import fit_mixed
from analysis.curves.own_curve import expected_given_visits
from analysis.outcomes.unrandomised.filled_visits import mixed_outcome_rows

from .chosen import cohort

WEEKS = [6.0, 12.0, 26.0]


@pytest.fixture(scope="module", params=[(None, "unstructured"), (None, "ar1-by-week"), ("1", "by-week")], ids=str)
def fitted(request):
    effects, residual = request.param
    one = cohort(60, missing=0.35, seed=3)
    frame = one.visits[one.visits["week"] > 0].merge(one.patients, on="patient_id")
    formula = "value ~ C(week) * (protocol + age_years)"
    model = fit_mixed(frame, formula, patient_effects=effects, residual=residual, inference="normal")
    return model, frame, one.patients, mixed_outcome_rows(model, one.patients, ["usual", "early"], WEEKS)


def test_some_patients_have_no_visit_and_some_all(fitted):
    _, frame, patients, _ = fitted
    seen = patients["patient_id"].map(frame["patient_id"].value_counts()).fillna(0)
    assert {0.0, 1.0, 2.0, 3.0} <= set(seen)


def test_outcomes_are_the_values_seen_or_the_curve_given_the_visits(fitted):
    model, frame, patients, rows = fitted
    found = rows.filled + rows.slope @ rows.coefficients
    for place, (_, patient) in enumerate(patients.head(20).iterrows()):
        own = frame[frame["patient_id"] == patient["patient_id"]]
        wanted = pd.DataFrame([patient] * 3).assign(
            week=WEEKS, protocol=pd.Categorical([patient["protocol"]] * 3, ["usual", "early"])
        )
        expected = expected_given_visits(model, own, wanted)["estimate"].to_numpy()
        seen = own.set_index("week")["value"].reindex(WEEKS)
        # a residual free of error goes through the visits seen; with one apart the value itself is taken
        assert found[:, place] == pytest.approx(seen.fillna(pd.Series(expected, index=WEEKS)).to_numpy(), abs=1e-9)


def test_under_each_protocol_the_mean_is_that_of_the_model(fitted):
    model, _, patients, rows = fitted
    for k, name in enumerate(["usual", "early"]):
        at = patients.assign(week=12.0, protocol=pd.Categorical([name] * len(patients), ["usual", "early"]))
        expected = model.predict(at)["estimate"].to_numpy()
        assert rows.under[1, k] @ rows.coefficients == pytest.approx(expected, abs=1e-9)


def test_coefficients_without_a_patient_are_those_of_generalised_least_squares(fitted):
    model, frame, patients, rows = fitted
    V = np.linalg.pinv(rows.weight)
    without = rows.without_each()
    assert rows.parts.sum(axis=0) == pytest.approx(0.0, abs=1e-8)
    X = model.design.matrix(frame)
    place = frame["patient_id"].map({name: i for i, name in enumerate(patients["patient_id"])}).to_numpy()
    slot = np.searchsorted(WEEKS, frame["week"])
    for left_out in (0, 7, 31):
        A, c = np.zeros((X.shape[1],) * 2), np.zeros(X.shape[1])
        for i in set(place) - {left_out}:
            mine = np.flatnonzero(place == i)
            own = V[i][np.ix_(slot[mine], slot[mine])]
            A += X[mine].T @ np.linalg.solve(own, X[mine])
            c += X[mine].T @ np.linalg.solve(own, frame["value"].to_numpy()[mine])
        assert without[left_out] == pytest.approx(np.linalg.solve(A, c), rel=1e-6, abs=1e-8)
