"""What must not change the answer, on random data and models: names, order, scales, layout, splits, copies."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from analysis.curves.formula.gathered import visit_moments
from analysis.curves.mixed_model import MixedModel, fit_mixed
from analysis.errors import BoundaryWarning

from .cohort_of_visits import visits

FIXED = "value ~ protocol * week + baseline"
MODELS = [
    ("1 + week", "independent"),
    ("1", "independent"),
    (None, "ar1"),
    (None, "compound-symmetry"),
    ("1", "by-week"),
]

#: A failing example is shown as it is found: making it smaller takes minutes.
QUICK = (Phase.explicit, Phase.generate)
few = settings(
    max_examples=6,
    deadline=None,
    derandomize=True,
    phases=QUICK,
    suppress_health_check=[HealthCheck.too_slow],
    print_blob=False,
)
frames = st.builds(
    visits,
    st.integers(20, 45),
    seed=st.integers(0, 5_000),
    missing=st.floats(0.0, 0.35),
    slope_sd=st.sampled_from([0.0, 0.3, 0.8]),
)
models = st.sampled_from(MODELS)


def fitted(frame, model, **options) -> MixedModel:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", BoundaryWarning)  # random data end at the boundary now and then
        fit = fit_mixed(frame, FIXED, patient_effects=model[0], residual=model[1], **options)
    assert fit.converged
    return fit


def assert_same(one, other, *, names=("estimate", "std_error"), units=None) -> None:
    """Compare coefficients in units of their standard errors."""
    unit = one["std_error"].to_numpy(dtype=float) if units is None else units
    for name in names:
        gap = (other[name].to_numpy(dtype=float) - one[name].to_numpy(dtype=float)) / unit
        assert np.abs(gap).max() < 2e-4, name


@few
@given(frame=frames, model=models, seed=st.integers(0, 99))
def test_order_of_rows_and_names_of_patients(frame, model, seed) -> None:
    order = np.random.default_rng(seed).permutation(len(frame))
    other = frame.iloc[order].assign(patient_id=lambda rows: "x" + (997 - rows["patient_id"]).astype(str))
    one, two = fitted(frame, model), fitted(other, model)
    assert two.criterion == pytest.approx(one.criterion, abs=1e-6)
    assert (two.n_patients, two.n_visits) == (one.n_patients, one.n_visits)
    assert_same(one.coefficients, two.coefficients)


@few
@given(frame=frames, model=models, order=st.permutations(["exercise", "stimulation", "motion"]))
def test_names_and_order_of_protocols(frame, model, order) -> None:
    new = {"exercise": "b", "stimulation": "c", "motion": "a"}
    renamed = frame["protocol"].cat.rename_categories(new).cat.reorder_categories([new[name] for name in order])
    one, two = fitted(frame, model), fitted(frame.assign(protocol=renamed), model)
    assert two.criterion == pytest.approx(one.criterion, abs=1e-6)
    first = one.differences(reference="exercise").set_index(["protocol", "week"])
    second = two.differences(reference="b").set_index(["protocol", "week"])
    second = second.rename(index={"c": "stimulation", "a": "motion"}).loc[first.index]
    assert_same(first, second, names=("estimate", "std_error", "lower", "upper"))


@few
@given(
    frame=frames,
    model=models,
    scale=st.sampled_from([-1e6, 1e-4, 0.5, 1e3]),
    shift=st.floats(-1e3, 1e3),
    weeks=st.sampled_from([1 / 52, 7.0, 168.0]),
    start=st.sampled_from([0.0, -6.0, 40.0]),
)
def test_outcome_and_week_shifted_and_scaled(frame, model, scale, shift, weeks, start) -> None:
    """Weeks as days, years or hours from another start, the outcome in other units: differences at the same moments."""
    moved = frame.assign(value=frame["value"] * scale + shift * abs(scale), week=(frame["week"] + start) * weeks)
    one, two = (
        fitted(frame, model, method="ml", inference="normal"),
        fitted(moved, model, method="ml", inference="normal"),
    )
    assert two.criterion == pytest.approx(one.criterion + 2.0 * one.n_visits * np.log(abs(scale)), abs=1e-5)
    first, second = one.differences(), two.differences()
    second = second.assign(estimate=second["estimate"] / scale, std_error=second["std_error"] / abs(scale))
    assert_same(first, second)


@few
@given(frame=frames, model=models)
def test_wide_with_holes_is_long_without_rows(frame, model) -> None:
    wide = frame.pivot_table(
        index=["patient_id", "protocol", "baseline"], columns="week", values="value", observed=True
    )
    long = wide.reset_index().melt(id_vars=["patient_id", "protocol", "baseline"], var_name="week", value_name="value")
    long = long.astype({"week": float})
    one, two = fitted(frame, model), fitted(long, model)
    assert two.criterion == pytest.approx(one.criterion, abs=1e-6)
    assert_same(one.coefficients, two.coefficients)


@few
@given(frame=frames, model=models, seed=st.integers(0, 99), parts=st.integers(2, 4))
def test_moments_of_any_parts_add_to_the_whole(frame, model, seed, parts) -> None:
    patients = frame["patient_id"].unique()
    part = np.random.default_rng(seed).integers(0, parts, len(patients))
    pieces = [frame[frame["patient_id"].isin(patients[part == number])] for number in range(parts)]
    moments = [visit_moments(piece, FIXED) for piece in pieces if len(piece)]
    total = moments[0]
    for more in moments[1:]:
        total = total + more
    one, two = fitted(frame, model), fitted(total, model)
    assert two.criterion == pytest.approx(one.criterion, abs=1e-6)
    assert_same(one.coefficients, two.coefficients)


@few
@given(frame=frames, model=models, copies=st.integers(2, 4))
def test_copies_of_all_patients_shrink_the_standard_error(frame, model, copies) -> None:
    more = pd.concat([frame.assign(patient_id=frame["patient_id"] + 1000 * number) for number in range(copies)])
    options = {"method": "ml", "inference": "normal"}
    one, many = fitted(frame, model, **options), fitted(more, model, **options)
    assert many.criterion == pytest.approx(copies * one.criterion, abs=1e-5)
    assert_same(one.coefficients, many.coefficients, names=("estimate",))
    assert_allclose(many.coefficients["std_error"] * np.sqrt(copies), one.coefficients["std_error"], rtol=2e-4)


@pytest.mark.parametrize(
    ("without", "with_intercept"),
    [
        ("value ~ 0 + protocol + week + baseline", "value ~ protocol + week + baseline"),
        ("value ~ 0 + protocol:C(week) + baseline:C(week)", "value ~ protocol * C(week) + baseline:C(week)"),
        ("value ~ 0 + site + protocol + week", "value ~ site + protocol + week"),
    ],
)
def test_a_formula_without_an_intercept_keeps_its_digits(without, with_intercept) -> None:
    """A mean of a million standard deviations, of outcome and covariate: the fit of the same model with an intercept."""
    frame = visits(40, seed=2).assign(
        value=lambda rows: rows["value"] + 5e6, baseline=lambda rows: rows["baseline"] + 5e7
    )
    one = fit_mixed(frame, without, patient_effects="1")
    two = fit_mixed(frame, with_intercept, patient_effects="1")
    near = fit_mixed(visits(40, seed=2), without, patient_effects="1")
    assert one.criterion == pytest.approx(two.criterion, abs=1e-6)
    assert one.criterion == pytest.approx(near.criterion, abs=1e-6)
    assert_same(one.differences(of="protocol"), two.differences(of="protocol"))
    assert one.record.notes == two.record.notes == ()
