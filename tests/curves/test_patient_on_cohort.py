"""One patient on the curves of the others: fitted without the patient, each visit against the earlier ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from analysis.cohort import Cohort, visit_frame
from analysis.curves.own_curve import expected_given_visits
from analysis.curves.patient_on_cohort import patient_on_cohort
from analysis.curves.recovery import fit_recovery
from analysis.errors import ModelError
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def cohort() -> Cohort:
    return generate_cohort(patients=120, seed=3).observed


def changed(cohort: Cohort, patient: str, measure: str, week: float, value: float) -> Cohort:
    visits = cohort.visits.copy()
    chosen = (visits["patient_id"] == patient) & (visits["measure"] == measure) & (visits["week"] == week)
    visits.loc[chosen, "value"] = value
    return replace(cohort, visits=visits)


def test_the_patient_does_not_move_the_curves(cohort) -> None:
    """A wild value of the patient changes neither the centiles nor what was expected at that visit."""
    before = patient_on_cohort(cohort, "p0002", "knee_flexion")
    after = patient_on_cohort(changed(cohort, "p0002", "knee_flexion", 12.0, 20.0), "p0002", "knee_flexion")
    pd.testing.assert_frame_equal(before.centiles, after.centiles)
    row = after.visits.set_index("week").loc[12.0]
    assert_allclose(row["expected"], before.visits.set_index("week").loc[12.0, "expected"])
    assert row["place"] == "below"
    assert row["centile"] < 0.1
    assert 12.0 in after.off["week"].tolist()


def test_each_visit_is_compared_with_what_the_earlier_ones_lead_to_expect(cohort) -> None:
    found = patient_on_cohort(cohort, "p0002", "ikdc", level=0.9)
    others = replace(
        cohort,
        patients=cohort.patients[cohort.patients["patient_id"] != "p0002"],
        visits=cohort.visits[cohort.visits["patient_id"] != "p0002"],
    )
    model = fit_recovery(others, "ikdc").model
    own = visit_frame(cohort, "ikdc")
    own = own[(own["patient_id"] == "p0002") & own["value"].notna() & (own["week"] > 0)].astype({"protocol": "str"})
    for count in range(len(own)):
        wanted = expected_given_visits(model, own.iloc[:count], own.iloc[[count]], level=0.9).iloc[0]
        row = found.compared.iloc[count]
        limits = wanted[["estimate", "prediction_lower", "prediction_upper"]].to_numpy(dtype=float)
        assert_allclose(row[["expected", "lower", "upper"]].to_numpy(dtype=float), limits)
    assert found.visits["place"].iloc[0] == "start"


@pytest.mark.slow
def test_of_an_ordinary_cohort_one_visit_in_twenty_is_marked(cohort) -> None:
    """The cohort follows the model closely, so the interval must keep its level: 40 patients, about 230 visits."""
    places = pd.concat(
        patient_on_cohort(cohort, str(patient), "ikdc").compared["place"]
        for patient in cohort.patients["patient_id"][:40]
    )
    share = (places != "within").mean()
    assert len(places) > 150
    assert 0.01 < share < 0.11


def test_centiles_rise_and_stay_on_the_scale(cohort) -> None:
    found = patient_on_cohort(cohort, "p0002", "pain")
    assert found.centiles["centile"].unique().tolist() == [5.0, 25.0, 50.0, 75.0, 95.0]
    wide = found.centiles.pivot_table(index="week", columns="centile", values="value")
    assert (np.diff(wide.to_numpy(), axis=1) >= 0).all()
    assert wide.to_numpy().min() >= 0.0


def test_weeks_ahead_start_after_the_last_visit(cohort) -> None:
    visits = cohort.visits[(cohort.visits["patient_id"] != "p0002") | (cohort.visits["week"] <= 12)]
    found = patient_on_cohort(replace(cohort, visits=visits), "p0002", "ikdc")
    assert found.ahead["week"].tolist() == [26.0, 39.0, 52.0]
    assert (found.ahead["lower"] < found.ahead["upper"]).all()


def test_a_week_nobody_else_was_seen_at_is_not_compared(cohort) -> None:
    visits = cohort.visits.copy()
    chosen = (visits["patient_id"] == "p0002") & (visits["week"] == 12.0)
    visits.loc[chosen, "week"] = 13.0
    found = patient_on_cohort(replace(cohort, visits=visits), "p0002", "ikdc")
    assert found.visits.set_index("week").loc[13.0, "place"] == "not compared"
    assert any("week 13" in note for note in found.notes)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ("unknown patient", "There is no patient 'p9999'"),
        ("no value", "The patient has no value"),
        ("no baseline", "no value at or before week 0"),
        ("own protocol", "Nobody else with values of this measure followed the protocol"),
    ],
)
def test_what_cannot_be_compared_is_refused(cohort, change, message) -> None:
    own = cohort.visits["patient_id"] == "p0002"
    patient = "p9999" if change == "unknown patient" else "p0002"
    if change == "no value":
        cohort = replace(cohort, visits=cohort.visits[~own])
    elif change == "no baseline":
        cohort = replace(cohort, visits=cohort.visits[~own | (cohort.visits["week"] > 0)])
    elif change == "own protocol":
        protocol = cohort.patients["protocol"].astype("str")
        protocol[cohort.patients["patient_id"] == "p0002"] = "a protocol of one"
        cohort = replace(cohort, patients=cohort.patients.assign(protocol=protocol))
    with pytest.raises(ModelError, match=message):
        patient_on_cohort(cohort, patient, "ikdc")
