"""Reliability against the published examples."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from analysis.errors import ModelError
from analysis.outcomes.thresholds.reliability import (
    AGREEMENT,
    CONSISTENCY,
    FROM_ICC,
    correlations_of_squares,
    reliability,
)


def long(rows):
    table = np.asarray(rows, dtype=float)
    return pd.DataFrame(
        [(f"P{i}", f"day {j}", value) for i, row in enumerate(table) for j, value in enumerate(row)],
        columns=["patient_id", "occasion", "value"],
    )


SHROUT_FLEISS = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
WEIR_A = np.transpose([[146, 148, 170, 90, 157, 156, 176, 205], [140, 152, 152, 99, 145, 153, 167, 218]])
WEIR_B = np.transpose([[166, 168, 160, 150, 147, 146, 156, 155], [160, 172, 142, 159, 135, 143, 147, 168]])
MINI_METER = np.transpose(
    [
        [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451],
        [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443],
    ]
)

WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]


def test_six_forms_of_shrout_and_fleiss():
    """Shrout and Fleiss, Psychol Bull 1979;86:420, Table 4 (two decimals): .17 .29 .71 .44 .62 .91; to 15 digits from
    R 4.2.2 mean squares of aov(y ~ subject + judge). Interval of ICC(3,1) from R: .3425 to .9459."""
    found = reliability(long(SHROUT_FLEISS)).correlations.set_index("form")
    expected = {
        "ICC(1,1)": 0.165741768405475,
        "ICC(2,1)": 0.289763779527559,
        "ICC(3,1)": 0.714840714840715,
        "ICC(1,k)": 0.442797133679269,
        "ICC(2,k)": 0.620050547598989,
        "ICC(3,k)": 0.909315542377069,
    }
    for form, value in expected.items():
        assert found.loc[form, "estimate"] == pytest.approx(value, abs=1e-12), form
    assert found.loc["ICC(3,1)", "lower"] == pytest.approx(0.342464765033925, abs=1e-9)
    assert found.loc["ICC(3,1)", "upper"] == pytest.approx(0.94585825995536, abs=1e-9)


def test_mean_squares_and_errors_of_shrout_and_fleiss():
    """R 4.2.2, aov(y ~ subject + judge)."""
    found = reliability(long(SHROUT_FLEISS))
    squares = found.mean_squares.set_index("source")["mean_square"]
    assert squares.tolist() == pytest.approx([11.2416666666667, 6.26388888888889, 32.4861111111111, 1.01944444444444])
    errors = found.errors.set_index("formula")["estimate"]
    assert errors[CONSISTENCY] == pytest.approx(1.00967541539073, abs=1e-12)
    assert errors[AGREEMENT] == pytest.approx(2.5027762362802, abs=1e-12)
    person = found.detectable_change.query("formula == @CONSISTENCY and group_size == 1 and confidence == 0.95")
    assert person["estimate"].item() == pytest.approx(2.79867746543891, rel=2e-5)  # 1.96 there, 1.95996 here


@pytest.mark.parametrize(("rows", "icc"), [(WEIR_A, 0.947016137048941), (WEIR_B, 0.537727666955768)])
def test_both_sets_of_weir(rows, icc):
    """Weir, J Strength Cond Res 2005;19:231: error mean square 57.107 in both sets, ICC(3,1) .95, .55; digits of R."""
    found = reliability(long(rows))
    assert found.correlations.set_index("form").loc["ICC(3,1)", "estimate"] == pytest.approx(icc, abs=1e-12)
    assert found.mean_squares.set_index("source").loc["error", "mean_square"] == pytest.approx(57.1071428571429)
    assert found.errors["estimate"].iloc[0] == pytest.approx(7.55692681300691, abs=1e-12)


def test_the_two_error_formulas_differ_and_are_named():
    """Weir 2005, set A: 7.6 from the mean square, 7.308 from SD and ICC (R); minimal difference 20.95."""
    found = reliability(long(WEIR_A))
    errors = found.errors.set_index("formula")["estimate"]
    assert errors[FROM_ICC] == pytest.approx(7.30800165127239, rel=1e-6)  # there from an ICC of 7 digits
    assert errors[CONSISTENCY] == pytest.approx(7.55692681300691, abs=1e-12)
    assert errors[AGREEMENT] == errors[CONSISTENCY]  # the occasion variance is estimated below 0, taken as 0
    changes = found.detectable_change.set_index(["formula", "group_size", "confidence"])["estimate"]
    assert changes[(CONSISTENCY, 1, 0.95)] == pytest.approx(20.9467, abs=1e-3)
    assert changes[(CONSISTENCY, 30, 0.95)] == pytest.approx(changes[(CONSISTENCY, 1, 0.95)] / 30**0.5)
    assert changes[(CONSISTENCY, 1, 0.90)] / changes[(CONSISTENCY, 1, 0.95)] == pytest.approx(1.644854 / 1.959964)


def test_limits_of_agreement_of_bland_and_altman():
    """Peak flow, Lancet 1986;i:307, mini meter, repeated: coefficient of repeatability 2 sqrt(mean d²) = 56.3163 (R on
    the same values). The limits: from numpy on the values above; their intervals by simulation in tests/simulation."""
    found = reliability(long(MINI_METER))
    squares = found.mean_squares.set_index("source").loc["within patients", "mean_square"]
    assert 2 * (2 * squares) ** 0.5 == pytest.approx(56.3163334367988, abs=1e-10)
    row = found.agreement.iloc[0]
    difference = MINI_METER[:, 1] - MINI_METER[:, 0]
    assert row["bias"] == pytest.approx(difference.mean())
    assert row["upper_limit"] - row["lower_limit"] == pytest.approx(2 * 1.959964 * difference.std(ddof=1), rel=1e-6)
    assert row["lower_limit_lower"] < row["lower_limit"] < row["lower_limit_upper"] < row["bias_lower"] < row["bias"]
    assert len(found.patients) == 17


def test_two_peak_flow_meters_of_bland_and_altman():
    """Bland and Altman, Lancet 1986;i:307 (from memory), first readings, large less mini meter: mean -2.1, SD 38.8, its
    limits -22.0 to 17.8; limits of agreement -79.7 (-114.3 to -45.1) and 75.5 (40.9 to 110.1), there with 2 for 1.96 and
    3 s^2 / n for the variance of a limit, hence the tolerance of one and two litres a minute."""
    row = reliability(long(np.column_stack([MINI_METER[:, 0], WRIGHT]))).agreement.iloc[0]
    assert (row["bias"], row["standard_deviation"]) == pytest.approx((-2.1, 38.8), abs=0.05)
    assert (row["bias_lower"], row["bias_upper"]) == pytest.approx((-22.0, 17.8), abs=0.1)
    assert (row["lower_limit"], row["upper_limit"]) == pytest.approx((-79.7, 75.5), abs=2.0)
    half = [row[f"{name}_upper"] - row[f"{name}_lower"] for name in ("lower_limit", "upper_limit")]
    assert half == pytest.approx([69.2, 69.2], abs=1.0)


def test_two_patients_at_two_occasions():
    """By hand from the mean squares 6.25, 1.25 (within), 2.25 and 0.25 by the formulas of Shrout and Fleiss 1979; the
    library behind the correlations refuses fewer than five values."""
    found = reliability(long([[1, 2], [3, 5]]))
    table = found.correlations.set_index("form")
    expected = {"ICC(1,1)": 5 / 7.5, "ICC(2,1)": 6 / 8.5, "ICC(3,1)": 6 / 6.5, "ICC(1,k)": 5 / 6.25, "ICC(2,k)": 6 / 7.25,
                "ICC(3,k)": 6 / 6.25}  # fmt: skip
    assert table["estimate"].to_dict() == pytest.approx(expected)
    assert table[["lower", "upper"]].isna().all(axis=None)
    assert "Four values are too few for intervals of the correlations." in found.notes
    assert found.errors["estimate"].iloc[0] == pytest.approx(0.5)
    assert reliability(long([[4, 4], [4, 4]])).correlations["estimate"].isna().all()


def test_the_correlations_of_four_values_follow_the_library_on_more():
    """The formulas used for four values, on Shrout and Fleiss' table, against pingouin."""
    found = reliability(long(SHROUT_FLEISS))
    of_squares = correlations_of_squares(6, 4, found.mean_squares)
    for column in ("estimate", "statistic", "df_numerator", "df"):
        assert of_squares[column].tolist() == pytest.approx(found.correlations[column].tolist(), rel=1e-9), column
    assert of_squares["form"].tolist() == found.correlations["form"].tolist()


def test_three_occasions_give_three_pairs(rng):
    found = reliability(long(rng.normal(50, 10, (12, 3)) + rng.normal(0, 1, (12, 1))))
    assert found.agreement[["first", "second"]].to_numpy().tolist() == [
        ["day 0", "day 1"],
        ["day 0", "day 2"],
        ["day 1", "day 2"],
    ]
    assert len(found.patients) == 36


def test_incomplete_patients_are_left_out_and_said():
    data = long(WEIR_A)
    whole = reliability(data)
    more = pd.concat([data, pd.DataFrame({"patient_id": ["x", "y"], "occasion": "day 0", "value": [99.0, np.nan]})])
    found = reliability(more)
    assert found.n_patients == 8
    assert "2 patients without a value at every occasion are left out." in found.notes
    pd.testing.assert_frame_equal(found.errors, whole.errors)


def test_growing_differences_are_said(rng):
    level = rng.uniform(10, 100, 60)
    found = reliability(long(np.column_stack([level, level * rng.normal(1, 0.1, 60)])))
    assert any("logarithms" in note for note in found.notes)


def test_duplicates_missing_columns_and_too_few():
    data = long(WEIR_A)
    with pytest.raises(ModelError, match=r"1 values come twice .*\n  where: the first: patient P0, occasion day 0"):
        reliability(pd.concat([data, data.head(1)]))
    with pytest.raises(ModelError, match=r"lack the column 'occasion'\.\n  where: columns there: patient_id, day"):
        reliability(data.rename(columns={"occasion": "day"}))
    with pytest.raises(ModelError, match="1 patients have a value at each of 2 occasions; two of each are needed"):
        reliability(data[data["patient_id"] == "P0"])
    with pytest.raises(ModelError, match="8 patients have a value at each of 1 occasions"):
        reliability(data[data["occasion"] == "day 0"])


@settings(max_examples=15, deadline=None)
@given(arrays(float, (6, 2), elements=st.integers(-50, 50).map(float)), st.floats(0.5, 20), st.integers(-100, 100))
def test_scale_and_shift(values, factor, shift):
    change = np.diff(values, axis=1)
    if change.std() < 1e-6 or values.mean(axis=1).std() < 1e-6 or np.ptp(values, axis=0).min() == 0:
        return
    one, other = reliability(long(values)), reliability(long(factor * values + shift))
    np.testing.assert_allclose(other.errors["estimate"], factor * one.errors["estimate"], rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(other.correlations["estimate"], one.correlations["estimate"], rtol=1e-5, atol=1e-7)
    np.testing.assert_allclose(other.agreement["bias"], factor * one.agreement["bias"], rtol=1e-6, atol=1e-6)


def test_a_correlation_that_the_mean_squares_cannot_give_is_missing() -> None:
    """Patients with equal means who change in opposite directions: ICC(2,k) came out at 2, ICC(1,k) at minus infinity."""
    frame = pd.DataFrame({"patient_id": [0, 0, 1, 1], "occasion": [0, 1, 0, 1], "value": [1.0, 2.0, 2.0, 1.0]})
    estimates = reliability(frame).correlations.set_index("other_name")["estimate"]
    assert estimates.max() <= 1
    assert not np.isinf(estimates).any()
    assert estimates.isna().sum() == 4
