"""Data and models that cannot be fitted: each message says what is wrong and what to do."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest

from analysis.curves.mixed_model import fit_mixed
from analysis.errors import BoundaryWarning, ConvergenceWarning, DesignWarning, ModelError

from .cohort_of_visits import visits


def refuse(
    frame: pd.DataFrame, message: str, what_to_do: str, fixed: str = "value ~ protocol * week", **options
) -> ModelError:
    with pytest.raises(ModelError, match=message) as caught:
        fit_mixed(frame, fixed, **options)
    assert what_to_do in caught.value.what_to_do
    return caught.value


def test_fewer_patients_than_covariance_parameters() -> None:
    refuse(
        visits(8),
        "8 patients are too few for 15 covariance parameters",
        "residual='ar1'",
        "value ~ week",
        patient_effects=None,
        residual="unstructured",
    )


def test_fewer_patients_than_covariates() -> None:
    refuse(
        visits(3),
        "3 patients cannot tell 4 patient covariates apart",
        "Leave covariates out",
        "value ~ protocol + baseline + site",
        patient_effects="1",
    )


def test_more_parameters_than_visits() -> None:
    frame = visits(7, missing=0.0, weeks=(0.0, 6.0))
    refuse(
        frame,
        "14 visits are too few",
        "value ~ week",
        "value ~ protocol * C(week) + baseline + baseline:week + site*week+pain+pain:week",
        patient_effects="1",
    )


def test_one_visit_a_patient_with_slopes() -> None:
    frame = visits().drop_duplicates("patient_id")
    refuse(frame, "Every patient has one visit", "patient_effects=None")


@pytest.mark.parametrize(
    "residual", ["ar1", "ar1-by-week", "exponential", "compound-symmetry", "toeplitz", "unstructured"]
)
def test_one_visit_a_patient_with_correlations(residual) -> None:
    frame = visits().drop_duplicates("patient_id")
    message = f"Every patient has one visit, and nothing tells the correlations of residual='{residual}'"
    refuse(frame, message, "residual='by-week'", "value ~ week", patient_effects=None, residual=residual)


def test_two_visits_a_patient_with_correlated_slopes() -> None:
    frame = visits(weeks=(0.0, 6.0), missing=0.0)
    refuse(frame, "No patient has more than 2 visits; 2 patient effects need at least 3", "patient_effects='1'")


def test_a_patient_in_two_protocols() -> None:
    frame = visits()
    frame.loc[frame.index[frame["patient_id"] == 4][0], "protocol"] = "motion"
    frame.loc[frame.index[frame["patient_id"] == 4][1], "protocol"] = "exercise"
    error = refuse(frame, "1 patient is in two protocols", "one protocol")
    assert error.where == "patients 4"


@pytest.mark.parametrize("residual", ["ar1", "ar1-by-week", "exponential", "toeplitz", "unstructured"])
def test_duplicate_weeks_under_an_order(residual) -> None:
    frame = visits()
    frame = pd.concat([frame, frame.iloc[[5]]])
    error = refuse(frame, "1 rows repeat the week", "Keep one row", patient_effects=None, residual=residual)
    assert error.where == f"patient {frame['patient_id'].iloc[5]} week {frame['week'].iloc[5]:g}"


def test_duplicates_are_right_with_patient_effects() -> None:
    """Two rows of a week are two measurements: the criterion is that of whole matrices."""
    frame = visits(12)
    frame = pd.concat(
        [frame, frame.iloc[[3, 3, 9]].assign(value=lambda rows: rows["value"] + [1.0, -2.0, 0.5])], ignore_index=True
    )
    fit = fit_mixed(frame, "value ~ week", patient_effects="1")
    theta = fit.covariance_parameters["estimate"].to_numpy()
    X, y = np.column_stack([np.ones(len(frame)), frame["week"]]), frame["value"].to_numpy()
    same = np.equal.outer(frame["patient_id"].to_numpy(), frame["patient_id"].to_numpy())
    V = theta[0] * same + theta[1] * np.eye(len(y))
    A = X.T @ np.linalg.solve(V, X)
    r = y - X @ fit.coefficients["estimate"].to_numpy()
    criterion = (
        np.linalg.slogdet(V)[1] + np.linalg.slogdet(A)[1] + r @ np.linalg.solve(V, r) + (len(y) - 2) * np.log(2 * np.pi)
    )
    assert fit.criterion == pytest.approx(criterion, rel=1e-11)


def test_constant_outcome() -> None:
    refuse(visits().assign(value=7.0), "is the same at every visit", "varies")


def test_outcome_explained_exactly() -> None:
    refuse(
        visits().assign(value=lambda rows: 3.0 + 2.0 * rows["week"]),
        "explain the outcome 'value' exactly",
        "copy of the outcome",
    )


def test_collinear_covariate_is_dropped_by_name() -> None:
    frame = visits().assign(stones=lambda rows: rows["baseline"] / 6.35)
    with pytest.warns(DesignWarning, match="cannot tell stones from earlier columns"):
        fit = fit_mixed(frame, "value ~ protocol * week + baseline + stones")
    plain = fit_mixed(frame, "value ~ protocol * week + baseline")
    assert fit.basis.dropped == ["stones"]
    assert fit.criterion == pytest.approx(plain.criterion, abs=1e-7)
    pd.testing.assert_frame_equal(fit.coefficients, plain.coefficients, rtol=1e-6)
    pd.testing.assert_frame_equal(fit.means(by="protocol"), plain.means(by="protocol"), rtol=1e-6)


def test_a_mean_that_cannot_be_estimated_is_missing() -> None:
    frame = visits()
    frame = frame[~((frame["protocol"] == "motion") & (frame["week"] == 26.0))]
    with pytest.warns(DesignWarning, match=r"C\(week\)\[T.26.0\]"):
        fit = fit_mixed(frame, "value ~ protocol * C(week)", patient_effects="1")
    means = fit.means(by="protocol").set_index(["protocol", "week"])["estimate"]
    assert np.isnan(means["motion", 26.0])
    assert means.notna().sum() == means.size - 1


@pytest.mark.parametrize("factor", [1e-9, 1e9])
def test_huge_and_tiny_scales(factor) -> None:
    frame = visits()
    fit = fit_mixed(frame, "value ~ protocol * week + baseline")
    scaled = fit_mixed(frame.assign(value=frame["value"] * factor), "value ~ protocol * week + baseline")
    np.testing.assert_allclose(scaled.coefficients["estimate"] / factor, fit.coefficients["estimate"], rtol=1e-7)
    np.testing.assert_allclose(scaled.coefficients["df"], fit.coefficients["df"], rtol=1e-6)
    assert scaled.converged


def test_rows_with_missing_values_are_left_out_and_counted() -> None:
    frame = visits()
    holes = frame.copy()
    holes.loc[[3, 8], "value"] = np.nan
    holes.loc[12, "baseline"] = np.nan
    fit = fit_mixed(holes, "value ~ week + baseline")
    assert fit.record.notes == ("3 rows with a missing value were left out.",)
    assert fit.criterion == pytest.approx(
        fit_mixed(frame.drop([3, 8, 12]), "value ~ week + baseline").criterion, rel=1e-12
    )


def test_infinite_values() -> None:
    frame = visits()
    frame.loc[[2, 7], "value"] = np.inf
    error = refuse(frame, "Column 'value' has 2 infinite values", "division by zero")
    assert error.where == "rows 2, 7 (counted from 0)"


def test_dates_among_the_covariates() -> None:
    frame = visits().assign(day=lambda rows: pd.Timestamp("2030-01-01") + pd.to_timedelta(rows["patient_id"], unit="D"))
    for column in (frame["day"], frame["day"] - frame["day"].min(), frame["day"].dt.tz_localize("UTC")):
        rows = frame.assign(day=column)
        refuse(rows, "Column 'day' holds .*, and a model takes numbers", "days since a day", "value ~ week + day")


def test_weeks_as_words() -> None:
    frame = visits().assign(week=lambda rows: "week " + rows["week"].astype(str))
    refuse(frame, "The week column 'week' holds .*, not numbers", "as numbers")


def test_outcome_as_words() -> None:
    refuse(visits().assign(value="good"), "The outcome column 'value' holds .*, not numbers", "pandas.to_numeric")


def test_unstructured_with_a_pair_never_seen() -> None:
    frame = visits()
    both = frame.groupby("patient_id")["week"].transform(lambda weeks: {2.0, 12.0} <= set(weeks)).astype(bool)
    frame = frame[~(both & (frame["week"] == 12.0))]
    error = refuse(
        frame, "every pair of weeks", "residual='ar1-by-week'", patient_effects=None, residual="unstructured"
    )
    assert "2 and 12" in error.where


@pytest.mark.parametrize("residual", ["by-week", "ar1", "ar1-by-week", "toeplitz", "unstructured"])
def test_unscheduled_visits_under_a_schedule(residual) -> None:
    refuse(
        visits(unscheduled=True),
        "needs visits on a schedule",
        "residual='exponential'",
        "value ~ week",
        patient_effects=None,
        residual=residual,
    )


@pytest.mark.parametrize("residual", ["unstructured", "compound-symmetry", "toeplitz"])
def test_patient_effects_that_the_residual_holds_already(residual) -> None:
    refuse(visits(), "already holds what the patient effects say", "patient_effects=None", residual=residual)


def test_names_that_are_not_there() -> None:
    refuse(visits(), "no column 'dose'", "Correct the name", "value ~ week + dose")
    refuse(visits(), "no column 'subject'", "patient=", patient="subject")
    refuse(visits(), "The outcome of the formula must be one column", "Compute", "np.log(value) ~ week")
    refuse(visits(), "The formula has no outcome", "value ~ protocol", "week + baseline")
    refuse(visits(), "There is no residual structure 'banded'", "Use one of these", residual="banded")
    refuse(visits(), "A patient effect must be a function of the week", "fixed effects", patient_effects="1 + baseline")


def test_logarithm_of_week_zero() -> None:
    refuse(visits(), r"np.log\(week\) is not defined", "log1p", "value ~ np.log(week)")


def test_nothing_left() -> None:
    refuse(visits().assign(baseline=np.nan), "No row has outcome", "leave it out", "value ~ week + baseline")


def test_singular_fit_is_told_from_a_failed_one() -> None:
    frame = visits(slope_sd=0.0, seed=3)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        fits = [fit_mixed(visits(slope_sd=0.0, seed=seed), "value ~ week", correlated=False) for seed in range(3, 9)]
    singular = [fit for fit in fits if fit.boundary]
    assert singular
    assert all(fit.converged for fit in fits)
    assert {warning.category for warning in caught} == {BoundaryWarning}
    del frame
    for fit in singular:
        assert (fit.covariance_parameters["estimate"] >= 0.0).all()
        assert "patient_effects='1'" in fit.record.notes[-1]


def test_an_unbounded_likelihood_is_not_called_converged() -> None:
    """Hardly anybody seen at every week: the criterion falls without end as the covariance becomes singular."""
    frame = visits(27, seed=34, missing=0.349, slope_sd=0.0)
    with pytest.warns(ConvergenceWarning, match="too few patients were seen at the same weeks for an unstructured"):
        fit = fit_mixed(
            frame, "value ~ protocol * week_spline + baseline", patient_effects=None, residual="unstructured"
        )
    assert not fit.converged
    assert "do not use these numbers" in fit.record.notes[-1]
    assert "DID NOT CONVERGE" in repr(fit)


def test_a_week_that_is_no_category_has_no_mean() -> None:
    """Week 7 among the categories 0, 2, 6, 12 and 26: there is nothing to say of it."""
    fit = fit_mixed(visits(), "value ~ protocol * C(week)", patient_effects="1")
    with pytest.raises(ModelError, match="Week 7 is not one of the weeks that the model was fitted to"):
        fit.means(by="protocol", weeks=[7.0])
    with pytest.raises(ModelError, match="Week 7 is not one of the weeks"):
        fit.differences(of="protocol", weeks=[6.0, 7.0])


@pytest.mark.parametrize("of", [["protocol"], ("protocol", "sex"), None])
def test_differences_of_several_categories_at_once(of) -> None:
    fit = fit_mixed(visits(), "value ~ protocol * week")
    with pytest.raises(ModelError, match="Differences are between the levels of one category") as caught:
        fit.differences(of=of)
    assert "of='protocol'" in caught.value.what_to_do
