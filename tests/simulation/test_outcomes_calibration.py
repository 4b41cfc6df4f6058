"""Slow: the probability of response is calibrated on generated cohorts whose truth is known."""

import pytest

from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.true_response.probability_of_response import probability_of_response
from analysis.statistics.calibration import calibration_table
from synthetic_cohort import generate_cohort

pytestmark = pytest.mark.slow


@pytest.mark.filterwarnings("ignore::analysis.errors.DistributionWarning")
@pytest.mark.parametrize(
    ("measure", "limb", "threshold", "error"),
    [
        ("ikdc", "none", 18.9, {"measurement_error": 5.0}),
        ("quadriceps_torque", "involved", 0.1, {"error_share": 0.055}),
    ],
)
def test_calibrated_within_three_points_in_every_tenth(measure, limb, threshold, error):
    """Scenario ligament reconstruction, 40,000 patients, week 26, visits missing at random and not; the error of
    measurement is the scenario's. The truth is the true change, without error, of every patient, lost ones included."""
    generated = generate_cohort("ligament reconstruction", patients=40_000, seed=11)
    found = probability_of_response(
        generated.observed,
        choose_endpoint(generated.observed, measure, week=26, threshold=threshold),
        free=False,
        draws=40,
        **error,
    )
    curves = generated.truth.curves
    curves = curves[(curves["measure"] == measure) & (curves["limb"] == limb)]
    at = {week: curves[curves["week"] == week].set_index("patient_id")["value"] for week in (0, 26)}
    true = found.patients["patient_id"].map(at[26] - at[0]) >= threshold
    table = calibration_table(found.patients["probability"], true)
    assert table["n"].min() > 500
    assert (table["share"] - table["mean_probability"]).abs().max() < 0.03
