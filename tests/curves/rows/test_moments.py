"""Moments: a fit from them is the fit from the rows; they add, and are saved and read."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from analysis.curves.formula.gathered import visit_moments
from analysis.curves.mixed_model import fit_mixed
from analysis.curves.rows.moments import read_moments
from analysis.errors import ModelError

from ..cohort_of_visits import visits

FIXED = "value ~ protocol * week_spline + baseline + pain"


@pytest.mark.parametrize("unscheduled", [False, True])
@pytest.mark.parametrize(
    ("fixed", "effects", "residual"),
    [
        (FIXED, "1 + week", "independent"),
        ("value ~ protocol * piecewise(week, [6]) + baseline:week + pain:week", "1", "exponential"),
        ("value ~ week + baseline", None, "compound-symmetry"),
    ],
)
def test_a_fit_from_moments_is_the_fit_from_rows(fixed, effects, residual, unscheduled) -> None:
    frame = visits(unscheduled=unscheduled)
    gathered = "value ~ protocol + baseline + pain + pain:week"
    options = {"patient_effects": effects, "residual": residual}
    rows = fit_mixed(frame, fixed, **options)
    moments = fit_mixed(visit_moments(frame, gathered), fixed, **options)
    assert moments.criterion == pytest.approx(rows.criterion, rel=1e-11)
    assert_allclose(moments.coefficients, rows.coefficients, rtol=1e-6, atol=1e-9)
    assert_allclose(
        moments.means(by="protocol", weeks=[6.0])["estimate"] if "protocol" in fixed else 0.0,
        rows.means(by="protocol", weeks=[6.0])["estimate"] if "protocol" in fixed else 0.0,
        rtol=1e-8,
    )


@pytest.mark.parametrize("unscheduled", [False, True])
def test_moments_of_two_halves_add_to_the_whole(unscheduled) -> None:
    frame = visits(unscheduled=unscheduled)
    low = frame["patient_id"] < 17
    first, second = frame[low & (frame["week"] < 20.0)], frame[~low]
    first = first[first["protocol"] != "motion"]
    whole = fit_mixed(pd.concat([first, second]), FIXED)
    added = fit_mixed(visit_moments(first, FIXED) + visit_moments(second, FIXED), FIXED)
    assert added.n_patients == whole.n_patients
    assert added.criterion == pytest.approx(whole.criterion, rel=1e-11)
    assert_allclose(added.coefficients, whole.coefficients, rtol=1e-6, atol=1e-9)
    assert_allclose(
        added.means(by="protocol", weeks=[12.0]).iloc[:, 2:6],
        whole.means(by="protocol", weeks=[12.0]).iloc[:, 2:6],
        rtol=1e-7,
    )


def test_the_reference_does_not_depend_on_which_part_comes_first() -> None:
    """Parts that lack a protocol, the reference among them, keep the order that the data declare."""
    frame = visits()
    parts = [frame[frame["protocol"] != name] for name in ("exercise", "motion")]
    north, south = (visit_moments(part[part["patient_id"] % 2 == number], FIXED) for number, part in enumerate(parts))
    for moments in (north + south, south + north):
        fit = fit_mixed(moments, FIXED, patient_effects="1")
        assert fit.means(by="protocol", weeks=[6.0])["protocol"].astype(str).tolist() == [
            "exercise", "stimulation", "motion",
        ]  # fmt: skip
        assert set(fit.differences(weeks=[6.0])["reference"]) == {"exercise"}


def test_moments_are_saved_and_read(tmp_path) -> None:
    moments = visit_moments(visits(), FIXED)
    path = moments.save(tmp_path / "north", trusted=True)
    assert path.name == "north.npz"
    assert [file.name for file in tmp_path.iterdir()] == ["north.npz"]
    again = read_moments(path)
    assert repr(again) == repr(moments)
    assert fit_mixed(again, FIXED).criterion == fit_mixed(moments, FIXED).criterion
    (tmp_path / "other.npz").write_bytes(b"no moments")
    with pytest.raises(ModelError, match="does not hold visit moments"):
        read_moments(tmp_path / "other.npz")


def test_moments_refuse_what_they_cannot_know() -> None:
    frame = visits()
    moments = visit_moments(frame, "value ~ protocol + baseline")
    with pytest.raises(ModelError, match=r"do not hold protocol\[exercise\]:baseline"):
        fit_mixed(moments, "value ~ protocol:baseline")
    with pytest.raises(ModelError, match="no column 'pain'"):
        fit_mixed(moments, "value ~ pain")
    fit = fit_mixed(moments, "value ~ protocol * week")
    for ask in (fit.patient_effects, fit.residuals):
        with pytest.raises(ModelError, match="made from moments"):
            ask()
    with pytest.raises(ModelError, match="Robust inference needs the rows"):
        fit_mixed(moments, "value ~ week", inference="robust")
    with pytest.raises(ModelError, match="not of the same outcome and columns"):
        moments + visit_moments(frame, "value ~ protocol + pain")


def test_patients_need_not_stand_together() -> None:
    frame = visits()
    mixed = frame.sort_values("week")
    assert_allclose(
        np.sort(visit_moments(mixed, FIXED).products.ravel()),
        np.sort(visit_moments(frame, FIXED).products.ravel()),
        atol=1e-8,
    )


def test_words_as_patient_ids_and_integer_weeks() -> None:
    frame = visits()
    other = frame.assign(patient_id="p" + frame["patient_id"].astype(str), week=frame["week"].astype(int))
    assert fit_mixed(other, FIXED).criterion == pytest.approx(fit_mixed(frame, FIXED).criterion, rel=1e-12)
