"""Recovery curves with named covariates, and with the baseline as an outcome, against R."""

import numpy as np
import pytest

from analysis.curves.recovery import fit_recovery
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def cohort():
    return generate_cohort(patients=240, seed=1).observed


def test_a_label_and_a_smooth_curve_are_adjusted_for_as_in_r(cohort):
    """R 4.2.2, nlme 3.1-162 and splines: gls(value ~ fw * protocol + fw * baseline + sex + ns(age_years, knots = k[2:3],
    Boundary.knots = k[c(1, 4)]), correlation = corSymm(form = ~ w | patient_id), weights = varIdent(form = ~ 1 | fw),
    method = "REML"), k the quantiles 0, 1/3, 2/3, 1 of the different ages; errors there without Kenward-Roger's terms."""
    found = fit_recovery(cohort, "ikdc", adjust_for=["sex", "spline(age_years)"]).primary_differences()
    np.testing.assert_allclose(found["estimate"], [-0.6152808, 0.6282231], atol=2e-5)
    np.testing.assert_allclose(found["std_error"], [1.8083765, 1.8221238], rtol=0.005)
    assert (found["std_error"] > [1.8083765, 1.8221238]).all()


def test_the_baseline_as_an_outcome_is_as_in_r(cohort):
    """R 4.2.2, nlme 3.1-162: gls(value ~ fw + one indicator a protocol and week after the start, correlation = corSymm(form =
    ~ w | patient_id), weights = varIdent(form = ~ 1 | fw), method = "REML"), the last value before the start at week 0."""
    curves = fit_recovery(cohort, "quadriceps_torque", baseline_as="outcome", adjust_for=[])
    found = curves.primary_differences()
    np.testing.assert_allclose(found["estimate"], [0.067353921, 0.144970040], atol=1e-6)
    np.testing.assert_allclose(found["std_error"], [0.051651192, 0.052843360], rtol=0.01)
    assert (found["std_error"] > [0.051651192, 0.052843360]).all()
