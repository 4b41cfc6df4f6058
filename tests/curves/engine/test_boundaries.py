"""Covariance parameters at the limits of their range are found, held and named; what cannot be told apart is refused."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest

from analysis.curves.mixed_model import MixedModel, fit_mixed
from analysis.errors import BoundaryWarning, ConvergenceWarning, InferenceWarning, KneecurveWarning, ModelError

from .random_designs import random_design, silent_failures

WEEKS = np.array([2.0, 6.0, 12.0, 26.0])


def frame_of(values: np.ndarray, weeks: np.ndarray = WEEKS) -> pd.DataFrame:
    n, m = values.shape
    protocol = pd.Categorical(np.repeat(np.where(np.arange(n) % 2, "new", "usual"), m), ["usual", "new"])
    return pd.DataFrame(
        {
            "patient_id": np.repeat(np.arange(n), m),
            "week": np.tile(weeks, n),
            "protocol": protocol,
            "value": values.ravel(),
        }
    )


def noise(*shape: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=shape)


def at_boundary(frame: pd.DataFrame, formula: str, match: str, **options) -> MixedModel:
    with pytest.warns(BoundaryWarning, match=match):
        fit = fit_mixed(frame, formula, **options)
    assert fit.converged
    assert fit.boundary
    assert (fit.coefficients["std_error"] > 0).all()
    assert (fit.coefficients["df"] > 0).all()
    return fit


def same_as(fit: MixedModel, simpler: MixedModel) -> None:
    """The criterion and the inference are those of the model without the parameter that is at its limit."""
    assert fit.criterion == pytest.approx(simpler.criterion, abs=1e-5)
    columns = ["estimate", "std_error", "df", "p_value"]
    np.testing.assert_allclose(fit.coefficients[columns], simpler.coefficients[columns], rtol=1e-4)


@pytest.mark.parametrize("information", ["observed", "expected"])
def test_a_range_of_zero(information) -> None:
    """Visits that alternate around the patient's level: no positive correlation is left."""
    values = 3.0 * noise(40, 1) + 0.5 * np.array([1.0, -1.0, 1.0, -1.0]) * noise(40, 1, seed=2) + noise(40, 4, seed=3)
    frame, formula = frame_of(values), "value ~ protocol * C(week)"
    fit = at_boundary(
        frame, formula, "residual range in weeks is estimated at zero", patient_effects="1", residual="exponential",
        information=information,
    )  # fmt: skip
    same_as(fit, fit_mixed(frame, formula, patient_effects="1", information=information))
    assert np.isnan(fit.covariance_parameters.loc["residual range in weeks", "std_error"])


def test_a_variance_of_zero_at_one_week() -> None:
    """Week 12 is the patient's level itself: measured without error."""
    level = noise(40, 1)
    values = level + noise(40, 4, seed=2) * np.array([1.0, 1.0, 0.0, 1.0])
    fit = at_boundary(
        frame_of(values), "value ~ protocol * C(week)", "residual variance at week 12 is estimated at zero",
        patient_effects="1", residual="by-week",
    )  # fmt: skip
    assert fit.covariance_parameters.loc["residual variance at week 12", "estimate"] < 1e-8
    exact = frame_of(values)
    twelve = fit_mixed(exact[exact["week"] == 12], "value ~ protocol", patient_effects=None)
    got = fit.differences(of="protocol", weeks=[12]).iloc[0]
    assert got["std_error"] == pytest.approx(twelve.coefficients["std_error"].iloc[1], rel=1e-5)


def test_a_patient_variance_of_zero() -> None:
    values = noise(40, 4) - noise(40, 4).mean(axis=1, keepdims=True)
    at_boundary(frame_of(values), "value ~ week", "variance of Intercept is estimated at zero", patient_effects="1")


def between_and_within(share: float) -> pd.DataFrame:
    """40 patients, four visits: mean square within patients 1, between them 1 + 4 share, so that by analysis of variance
    the variance of patients is that share of the residual one, or zero where the share is below."""
    within = noise(40, 4) - noise(40, 4).mean(axis=1, keepdims=True)
    within /= np.sqrt((within**2).sum() / (40 * 3))
    level = noise(40, 1, seed=2) - noise(40, 1, seed=2).mean()
    level *= np.sqrt((1 + 4 * share) / 4 / ((level**2).sum() / 39))
    return frame_of(level + within)


@pytest.mark.parametrize("share", [0.01, 1e-4])
def test_a_patient_variance_that_is_small_is_not_called_zero(share) -> None:
    fit = fit_mixed(between_and_within(share), "value ~ 1", patient_effects="1", inference="normal")
    assert not fit.boundary
    variance, residual = fit.covariance_parameters["estimate"]
    assert variance / residual == pytest.approx(share, rel=1e-2)


@pytest.mark.parametrize("share", [-1e-5, -1e-4, -0.1])
def test_a_patient_variance_that_ends_just_above_zero_is_called_zero(share) -> None:
    """Where the least mean square between patients hardly differs from that within, the steps end at 1e-8, not at 0."""
    fit = at_boundary(
        between_and_within(share), "value ~ 1", "variance of Intercept is estimated at zero", patient_effects="1"
    )
    assert fit.covariance_parameters["estimate"].iloc[0] == 0


@pytest.mark.parametrize("residual", ["toeplitz", "compound-symmetry"])
def test_no_maximum_inside_where_the_visits_of_a_patient_are_bound(residual) -> None:
    """Values that add up to the same in each patient: the likelihood grows up to a singular covariance, and without end."""
    values = noise(30, 3)
    values -= values.mean(axis=1, keepdims=True)
    with pytest.warns(ConvergenceWarning, match="the covariance of the visits is singular"):
        fit = fit_mixed(
            frame_of(values, WEEKS[:3]), "value ~ 1", patient_effects=None, residual=residual, inference="normal"
        )
    assert not fit.converged
    assert "do not use these numbers" in fit.record.notes[-1]


@pytest.mark.parametrize(
    ("weeks", "effects", "residual", "named"),
    [
        ([2.0, 6.0], "1", "ar1", "variance of Intercept and residual variance and residual correlation"),
        ([2.0, 6.0], "1", "exponential", "variance of Intercept and residual variance and residual range"),
        ([2.0, 6.0], "1", "ar1-by-week", "variance of Intercept"),
        ([2.0, 6.0, 12.0], "1 + week", "ar1-by-week", "variance of Intercept"),
    ],
)
def test_what_the_visits_cannot_tell_apart_is_refused_and_the_advice_can_be_followed(
    weeks, effects, residual, named
) -> None:
    frame = frame_of(3.0 * noise(40, 1) + noise(40, len(weeks), seed=2), np.array(weeks))
    options = {"patient_effects": effects, "residual": residual}
    with pytest.raises(ModelError, match=f"cannot tell {named}.* apart") as error:
        fit_mixed(frame, "value ~ protocol * C(week)", **options)
    advised = eval(f"dict({error.value.what_to_do.removeprefix('Use ').rstrip('.')})")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", BoundaryWarning)
        fit = fit_mixed(frame, "value ~ protocol * C(week)", **advised)
    assert fit.converged


def test_a_week_whose_mean_takes_all_that_was_seen_has_no_variance() -> None:
    frame = frame_of(noise(20, 4))
    frame = frame[(frame["week"] < 26) | (frame["patient_id"] < 2)]  # one patient of each protocol at week 26
    with pytest.raises(ModelError, match="cannot tell residual variance at week 26 apart or from the fixed effects"):
        fit_mixed(frame, "value ~ protocol * C(week)", patient_effects=None, residual="by-week")


def test_a_correction_that_would_undo_a_variance_is_taken_in_its_linear_form() -> None:
    """A design found by trying: a range close to zero, whose second derivatives halve the square of a standard error."""
    design = random_design(252)
    fit = fit_mixed(design.frame, design.formula, **design.options)
    assert fit.inference == "kenward-roger-linear"
    assert fit.record.notes[-1].startswith("Kenward-Roger's correction is taken without the second derivatives")
    plain = fit_mixed(design.frame, design.formula, **design.options | {"inference": "satterthwaite"})
    assert (fit.coefficients["std_error"] >= plain.coefficients["std_error"] * (1 - 1e-9)).all()


def test_where_no_standard_error_can_be_computed_there_is_no_interval_and_a_note_says_so() -> None:
    """A design found by trying: two weeks' variances at zero, so that a patient's level is known twice."""
    design = random_design(1792)
    with (
        pytest.warns(InferenceWarning, match="No intervals and no p values: Kenward-Roger's correction"),
        pytest.warns(BoundaryWarning, match="is estimated at zero"),
    ):
        fit = fit_mixed(design.frame, design.formula, **design.options)
    assert fit.converged
    assert fit.coefficients["estimate"].notna().all()
    assert fit.coefficients[["std_error", "lower", "upper", "p_value"]].isna().all(axis=None)
    assert not fit.record.intervals
    assert fit.record.notes[-1].startswith("No intervals and no p values")


def failures(seeds: range) -> tuple[list[str], int]:
    found, fitted = [], 0
    for seed in seeds:
        design = random_design(seed)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", KneecurveWarning)
            try:
                fit = fit_mixed(design.frame, design.formula, **design.options)
            except ModelError:
                continue
            fitted += 1
            found += [f"seed {seed}, {design.options}: {one}" for one in silent_failures(fit)]
    return found, fitted


@pytest.mark.slow
def test_no_silent_failure_in_random_designs() -> None:
    """All structures by patient effects, formulas, schedules, sizes, missing visits, true covariances at a boundary."""
    found, fitted = failures(range(40))
    assert found == []
    assert fitted > 20


@pytest.mark.slow
def test_no_silent_failure_in_a_thousand_fits() -> None:
    found, fitted = failures(range(10_000, 11_700))
    assert found == []
    assert fitted >= 1_000


def test_a_robust_error_of_a_coefficient_that_hangs_on_one_patient_is_not_given() -> None:
    """The only patient of a site is fitted exactly: the corrected residual is 0 / 0, and was missing, huge or tiny."""
    frame = frame_of(noise(20, 4)).assign(site=lambda rows: np.where(rows["patient_id"] == 3, "alone", "all others"))
    formula = "value ~ protocol * C(week) + C(week) * site"
    with pytest.warns(InferenceWarning, match="Use inference='satterthwaite'"):
        fit = fit_mixed(frame, formula, patient_effects="1", inference="robust")
    assert fit.coefficients["estimate"].notna().all()
    assert fit.coefficients[["std_error", "lower", "upper", "p_value"]].isna().all(axis=None)
    assert not fit.record.intervals
    assert "one patient alone" in fit.record.notes[-1]
    without = fit_mixed(frame[frame["patient_id"] != 3], "value ~ protocol * C(week)", inference="robust")
    assert without.record.intervals


@pytest.mark.parametrize("seed", range(12))
def test_robust_errors_where_a_patient_has_a_level_of_a_covariate_alone(seed) -> None:
    """Random sites, some of one patient, and protocols that few were seen under: no absurd error without a word."""
    rng = np.random.default_rng(seed)
    n = int(rng.choice([9, 15, 30]))
    frame = frame_of(rng.normal(size=(n, 4)))
    frame["site"] = np.repeat(rng.choice(["a", "b", "c"], n, p=[0.7, 0.2, 0.1]), 4)
    frame = frame[rng.random(len(frame)) > 0.2]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", KneecurveWarning)
        fit = fit_mixed(frame, "value ~ protocol * C(week) + site", patient_effects="1", inference="robust")
    error = fit.differences()["std_error"].dropna()
    assert (error.lt(30) & error.gt(1e-3)).all()
    assert fit.record.intervals or fit.coefficients["std_error"].isna().all()
    if fit.record.intervals and fit.converged:
        assert fit.coefficients["std_error"].notna().all()


@pytest.mark.parametrize("why", ["equal values", "few patients"])
def test_robust_errors_need_patients_that_scatter_in_every_coefficient(why) -> None:
    """All values of a week equal: a standard error of zero, or missing by rounding. Fewer patients than coefficients: F of
    any size for what lies where nobody scatters."""
    frame = frame_of(noise(40 if why == "equal values" else 6, 4))
    if why == "equal values":
        frame.loc[frame["week"] == 2, "value"] = 50.0
    with pytest.warns(InferenceWarning, match="scatter in fewer directions"):
        fit = fit_mixed(frame, "value ~ protocol * C(week)", patient_effects=None, residual="ar1", inference="robust")
    assert fit.coefficients[["std_error", "lower", "upper", "p_value"]].isna().all(axis=None)
    assert np.isnan(fit.test("C(week)")["p_value"].item())
    assert fit.record.notes[-1].startswith("No intervals and no p values")


def test_the_lowest_minimum_where_patients_hardly_differ_and_one_week_is_exact() -> None:
    """Six patients, found by trying: the fit stopped at 50.82. SciPy's L-BFGS-B with the same criterion comes to 49.51 and
    lower from some of 20 random starts; there the patients' variance is near zero, as is the residual one at week 12."""
    seen = {
        0: {0: 2.878, 6: 1.222, 26: 0.039},
        1: {0: -0.585, 2: -0.543, 12: -1.920, 26: -0.773},
        2: {2: 0.709, 6: -0.966, 12: -1.309, 26: 0.925},
        3: {2: -0.000, 6: 0.066, 12: -0.029, 26: -0.755},
        4: {0: 0.303, 6: 0.250, 12: -1.873, 26: -0.262},
        5: {0: -0.691, 26: 2.409},
    }
    rows = [(patient, "aabcaa"[patient], week, value) for patient, own in seen.items() for week, value in own.items()]
    frame = pd.DataFrame(rows, columns=["patient_id", "site", "week", "value"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", BoundaryWarning)
        fit = fit_mixed(frame, "value ~ C(week) + site", patient_effects="1", residual="by-week", inference="normal")
    assert fit.converged
    assert fit.criterion < 49.51


def no_maximum(frame: pd.DataFrame, formula: str, match: str = "did not converge", **options) -> None:
    with pytest.warns(ConvergenceWarning, match=match):
        fit = fit_mixed(frame, formula, inference="normal", **options)
    assert not fit.converged
    assert fit.record.notes[-1].endswith("do not use these numbers.")


def test_no_maximum_where_a_week_is_given_exactly_by_the_fixed_effects() -> None:
    """Three of seven patients were seen at week 2, all of a protocol with the same value: two means give three values, and
    the criterion falls by log 10 with each tenth of their variance. The fit stopped at 57.8; elsewhere it is 28 and falls."""
    seen = {
        0: {1: 3.378, 2: 3.783},
        1: {1: 0.612, 4: 2.295, 5: 3.439},
        2: {1: 0.121, 2: 3.283},
        3: {1: 1.752, 3: 3.158},
        4: {1: 0.385, 2: 3.283, 3: 2.245, 4: 1.676, 5: 1.121},
        5: {1: 0.657, 5: -0.198},
        6: {1: 2.709, 3: 3.191, 4: 2.569, 5: 4.148},
    }
    rows = [(who, week, value) for who, own in seen.items() for week, value in own.items()]
    frame = pd.DataFrame(rows, columns=["patient_id", "week", "value"])
    frame["protocol"] = np.where(frame["patient_id"].isin([0, 1, 6]), "new", "usual")
    options = {"patient_effects": None, "residual": "by-week"}
    no_maximum(frame, "value ~ protocol + week", "without end as the residual variance at week 2 goes", **options)
    frame.loc[3, "value"] += 0.2  # another week: nothing changes
    no_maximum(frame, "value ~ protocol + week", "without end as the residual variance at week 2 goes", **options)
    frame.loc[frame["week"] == 2, "value"] += [0.0, 0.3, -0.3]
    assert fit_mixed(frame, "value ~ protocol + week", inference="normal", **options).converged


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_no_maximum_where_two_weeks_are_given_exactly_by_the_patients_own_level(seed) -> None:
    """At weeks 12 and 26 each patient has the same value, so that the level of each is known twice."""
    values = noise(7, 1, seed=seed) + noise(7, 4, seed=seed + 10)
    values[:, 3] = values[:, 2]
    no_maximum(
        frame_of(values), "value ~ week", "residual variance at week 12 and the residual variance at week 26 goes",
        patient_effects="1", residual="by-week",
    )  # fmt: skip


def test_no_maximum_where_a_negative_correlation_of_one_gives_all_pairs() -> None:
    """Two of six patients were seen at both weeks: one contrast, which a correlation of -1 gives exactly. The fit stopped at
    a correlation of 0.93, 5.5 above what SciPy's L-BFGS-B reaches from some of 20 random starts."""
    seen = [
        (0, 2, 1.254),
        (1, 2, 0.513),
        (2, 2, 2.429),
        (2, 6, 3.094),
        (3, 6, 1.459),
        (5, 2, 2.54),
        (5, 6, 2.788),
        (6, 6, 2.55),
    ]
    frame = pd.DataFrame(seen, columns=["patient_id", "week", "value"])
    no_maximum(frame, "value ~ C(week)", patient_effects=None, residual="ar1-by-week")


def test_the_lowest_minimum_where_patients_differ_much_and_next_visits_go_against_each_other() -> None:
    """Six patients, 14 visits: the fit stopped 0.013 above the best of 20 random starts."""
    rows = [
        (0, 1, 0.819), (0, 4, 1.683), (0, 5, 1.844), (1, 1, 2.573), (1, 2, 2.937), (1, 3, 3.225), (2, 4, 2.972),
        (2, 5, 3.181), (3, 1, -0.4), (3, 2, 0.039), (4, 3, 0.246), (5, 1, 1.11), (5, 2, 1.526), (5, 5, 2.235),
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["patient_id", "week", "value"])
    frame["protocol"] = np.where(frame["patient_id"].isin([1, 4, 5]), "new", "usual")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", KneecurveWarning)
        fit = fit_mixed(
            frame,
            "value ~ protocol * C(week)",
            patient_effects="1",
            residual="ar1",
            correlated=False,
            inference="normal",
        )
    assert fit.converged
    assert fit.criterion < 9.8272


def test_the_lowest_minimum_where_few_patients_have_one_week_that_is_measured_closely() -> None:
    """Four patients, by maximum likelihood: the fit stopped 1.91 above the best of 20 random starts, which is 27.4557."""
    values = np.array([[0.837, 3.735, 1.467], [1.525, 3.236, 1.985], [-0.355, 2.057, 2.496], [0.134, 3.366, 2.756]])
    frame = frame_of(values, np.array([0.0, 6.0, 12.0])).assign(protocol=np.repeat(["new", "usual"], 6))
    fit = fit_mixed(
        frame, "value ~ protocol + week", patient_effects=None, residual="by-week", method="ml", inference="normal"
    )
    assert fit.converged
    assert fit.criterion == pytest.approx(27.4557, abs=1e-3)
