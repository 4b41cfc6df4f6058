"""Probability of response: the normal formula by hand, and what it must and must not do."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from analysis.cohort import Cohort, load_catalogue
from analysis.errors import DistributionWarning, ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.true_response.probability_of_response import probability_of_response
from analysis.statistics.calibration import calibration_table

from ..trial_with_error import trial


def test_with_every_visit_made_it_is_the_normal_formula(rng):
    """True change given the observed values: mean c'(mu + T V^-1 (y - mu)), variance c'(T - T V^-1 T)c, T = V - error;
    with many patients the draws of the parameters add little (2 decimals)."""
    cohort, _ = trial(rng, n=4000)
    found = probability_of_response(
        cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=12), measurement_error=4, draws=60
    )
    V = 64 + np.diag([25 + 16.0] * 3)
    T, c = V - np.diag([16.0] * 3), np.array([-1, 0, 1.0])
    usual = found.patients["protocol"] == "usual"
    y = cohort.visits.pivot_table(index="patient_id", columns="week", values="value").to_numpy()[usual.to_numpy()]
    mean = np.array([45, 55, 62.0])
    expected = c @ mean + (y - mean) @ np.linalg.solve(V, T @ c)
    spread = np.sqrt(c @ (T - T @ np.linalg.solve(V, T)) @ c)
    mine = found.patients.loc[usual]
    np.testing.assert_allclose(mine["expected"], expected, atol=1.5)
    np.testing.assert_allclose(mine["standard_deviation"], spread, rtol=0.06)
    np.testing.assert_allclose(mine["probability"], norm.sf(12, expected, spread), atol=0.06)


def test_without_error_and_gaps_it_is_the_raw_answer(rng):
    cohort, _ = trial(rng, n=300)
    found = probability_of_response(
        cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=12), measurement_error=0.01, draws=30
    )
    clear = (found.patients["expected"] - 12).abs() > 0.05  # further off than the error of a change, 0.014, by far
    assert clear.sum() > 290
    patients = found.patients[clear]
    assert (patients["probability"].round(3) == patients["raw"].astype(float)).all()
    assert found.disagreement["expected_wrong"].max() < 0.01
    assert found.disagreement[["raw_yes_unlikely", "raw_no_likely"]].to_numpy().sum() == 0


def test_a_missed_visit_is_less_certain_and_everyone_counts(rng):
    cohort, _ = trial(rng, n=300, lost=0.3)
    found = probability_of_response(
        cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=12), measurement_error=4, draws=60
    )
    spread = found.patients.groupby("visits_seen")["standard_deviation"].mean()
    assert spread.is_monotonic_decreasing
    assert found.table["n"].sum() == 300
    assert found.disagreement["n"].sum() == found.patients["raw"].notna().sum() < 300
    table = found.table
    assert (table["lower"] < table["share"]).all()
    assert (table["share"] < table["upper"]).all()
    gap = found.differences.iloc[0]
    assert gap["difference"] == pytest.approx(table["share"].iloc[1] - table["share"].iloc[0])


def test_a_patient_never_seen_has_the_chance_of_the_protocol(rng):
    cohort, _ = trial(rng, n=200)
    gone = cohort.visits[cohort.visits["patient_id"] != "P00000"]
    found = probability_of_response(
        those := Cohort(cohort.patients, gone),
        choose_endpoint(those, "ikdc", week=26, threshold=12),
        measurement_error=4,
        draws=60,
    )
    one = found.patients.iloc[0]
    others = found.patients[found.patients["protocol"] == "usual"]["probability"]
    assert one["visits_seen"] == 0
    assert one["probability"] == pytest.approx(others.mean(), abs=0.08)


@pytest.mark.slow
def test_calibrated_on_a_known_truth(rng):
    """Every tenth of a normal truth within 0.04 at 20,000 patients; the slow test does it on a generated cohort."""
    cohort, true = trial(rng, n=20_000, lost=0.25)
    found = probability_of_response(
        cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=12), measurement_error=4, draws=15
    )
    table = calibration_table(found.patients["probability"], true[:, 2] - true[:, 0] >= 12)
    assert (table["share"] - table["mean_probability"]).abs().max() < 0.04
    assert table["n"].sum() == 20_000


def test_a_state_and_a_measure_where_lower_is_better(rng):
    cohort, true = trial(rng, n=2000, lost=0.2)
    state = probability_of_response(
        cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=70, criterion="state"), measurement_error=4, draws=40
    )
    assert state.patients["probability"].mean() == pytest.approx((true[:, 2] >= 70).mean(), abs=0.03)
    turned = Cohort(cohort.patients, cohort.visits.assign(value=(100 - cohort.visits["value"]) / 10, measure="pain"))
    pain = probability_of_response(
        turned, choose_endpoint(turned, "pain", week=26, threshold=1.2), measurement_error=0.4, draws=40
    )
    assert pain.patients["probability"].mean() == pytest.approx((true[:, 2] - true[:, 0] >= 12).mean(), abs=0.03)


def test_the_default_error_comes_from_the_catalogue(rng):
    cohort, _ = trial(rng)
    found = probability_of_response(cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=12), draws=20)
    published = next(one for one in load_catalogue()["ikdc"].thresholds if one.kind == "MDC")
    error = found.measurement_error["standard_deviation"]
    assert error.tolist() == pytest.approx([published.value / 1.959964 / 2**0.5] * 3)
    assert "divided by 1.96 times root 2" in found.notes[1]


def test_an_error_as_a_share_grows_with_the_value(rng):
    cohort, _ = trial(rng)
    error = probability_of_response(
        cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=12), error_share=0.06, draws=5
    ).measurement_error
    assert error["standard_deviation"].is_monotonic_increasing
    assert error["standard_deviation"].iloc[0] == pytest.approx(0.06 * (45**2 + 64 + 25 + 16) ** 0.5, rel=0.04)


def test_an_error_larger_than_the_visits_allow_is_said(rng):
    cohort, _ = trial(rng)
    found = probability_of_response(
        cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=12), measurement_error=11, draws=5
    )
    assert any(note.startswith("The stated error is larger than the visits allow") for note in found.notes)


def test_what_cannot_be_asked(rng):
    cohort, _ = trial(rng, n=60)
    with pytest.raises(
        ModelError, match=r"Week 20 is not a scheduled week after the start\.\n  where: schedule: 0, 12, 26"
    ):
        probability_of_response(cohort, choose_endpoint(cohort, "ikdc", week=20, threshold=12), measurement_error=4)
    with pytest.raises(ModelError, match=r"The error of measurement is not above 0\."):
        probability_of_response(cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=12), measurement_error=-1)
    girth = Cohort(cohort.patients, cohort.visits.assign(measure="thigh_girth", limb="involved"))
    with pytest.raises(ModelError, match=r"No error of measurement is known for thigh girth\."):
        probability_of_response(girth, choose_endpoint(girth, "thigh_girth", week=26, threshold=1))


def skew(cohort, rng):
    """The same cohort with a gain of 0 to 60 points, skewed, by week 26 and half of it by week 12."""
    gain = pd.Series(12 * rng.gamma(1.0, 1.0, len(cohort.patients)), cohort.patients["patient_id"])
    visits = cohort.visits.assign(value=cohort.visits["value"] - 15)
    visits["value"] += visits["patient_id"].map(gain) * visits["week"].map({0: 0, 12: 0.5, 26: 1}).astype(float)
    return Cohort(cohort.patients, visits)


def test_which_versions_are_given_and_that_the_tables_are_the_normal_models(rng):
    """The normal model always; the other beside it where normality is rejected, where it is asked for, or never."""
    options = {"measurement_error": 4, "draws": 10}
    cohort, _ = trial(rng, n=300, lost=0.2)
    assert probability_of_response(
        cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=12), **options
    ).versions == ("normal",)
    asked = probability_of_response(
        cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=12), **options, free=True
    )
    assert asked.versions == ("normal", "free")
    assert asked.normality_rejected is False
    skewed = skew(cohort, rng)
    with pytest.warns(DistributionWarning, match="free_table and free_probability do not lean on it"):
        found = probability_of_response(skewed, choose_endpoint(skewed, "ikdc", week=26, threshold=12), **options)
    assert found.versions == ("normal", "free")
    with pytest.warns(DistributionWarning, match="free=True gives a version that does not lean on it"):
        never = probability_of_response(
            skewed, choose_endpoint(skewed, "ikdc", week=26, threshold=12), **options, free=False
        )
    assert never.versions == ("normal",)
    assert never.patients["free_probability"].isna().all()
    pd.testing.assert_frame_equal(never.table, found.table)
    pd.testing.assert_frame_equal(never.disagreement, found.disagreement)
    sums = found.patients.groupby("protocol", observed=True)[["probability", "free_probability"]].sum()
    np.testing.assert_allclose(
        found.table.set_index("protocol")["expected"], sums["probability"].loc[list(found.table["protocol"])]
    )
    free = found.free_table.set_index("protocol")["expected"]
    np.testing.assert_allclose(free, sums["free_probability"].loc[list(free.index)])


@pytest.mark.slow
def test_what_the_visits_cannot_tell_of_the_shape_is_said(rng):
    """Told, of three visits: 1 - variance of the true change given the visits, over its variance, by the normal formula."""
    options = {"draws": 10, "free": True}
    cohort, _ = trial(rng, n=1010, lost=0.1)
    found = probability_of_response(
        cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=12), **options, measurement_error=4
    )
    V = 64 + np.diag([25 + 16.0] * 3)
    T, c = V - np.diag([16.0] * 3), np.array([-1, 0, 1.0])
    told = c @ T @ np.linalg.solve(V, T @ c) / (c @ T @ c)
    assert found.told == pytest.approx(told, abs=0.06)
    said = " ".join(found.notes)
    assert f"The visits tell {100 * found.told:.0f} % of the variance of the true change, too little" in said
    assert "fewer than three visits" not in said
    assert "is seen roughly" not in said
    few = Cohort(
        cohort.patients.head(90),
        cohort.visits[cohort.visits["patient_id"].isin(cohort.patients["patient_id"].head(90))],
    )
    sharp = " ".join(
        probability_of_response(
            few, choose_endpoint(few, "ikdc", week=26, threshold=12), **options, measurement_error=1
        ).notes
    )
    assert "Without the normal distribution" in sharp
    assert "The visits tell" not in sharp
    few = Cohort(few.patients, few.visits[few.visits["week"] != 12])
    notes = " ".join(
        probability_of_response(
            few, choose_endpoint(few, "ikdc", week=26, threshold=12), **options, measurement_error=4
        ).notes
    )
    assert (
        "90 of 90 patients have fewer than three visits, which cannot tell whether heavy tails or a skew are of"
        in notes
    )
    assert "From 90 patients the shape of a distribution is seen roughly" in notes


def test_who_was_not_seen_has_no_raw_answer_by_either_rule(rng):
    """The rule for missing visits is for counting; the raw answer is that of a measured change."""
    cohort, _ = trial(rng, n=80, lost=0.3)
    endpoint = choose_endpoint(cohort, "ikdc", week=26, threshold=12, missing="non-response")
    found = probability_of_response(cohort, endpoint, measurement_error=4, draws=10)
    seen = cohort.visits.loc[(cohort.visits["week"] == 26) & cohort.visits["value"].notna(), "patient_id"]
    assert set(found.patients.loc[found.patients["raw"].notna(), "patient_id"]) == set(seen)
    assert found.disagreement["n"].sum() == len(seen) < len(found.patients)
