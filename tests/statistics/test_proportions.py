"""Shares, differences and numbers needed to treat against the published tables."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.errors import ModelError
from analysis.statistics.proportions import number_needed_to_treat, share_difference, share_interval


@pytest.mark.parametrize(
    ("count", "n", "lower", "upper"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_interval_of_newcombe_1998a(count, n, lower, upper):
    """Newcombe, Stat Med 1998;17:857, Table I, method 3 (score without correction); four decimals printed."""
    found = share_interval(count, n).iloc[0]
    assert found["lower"] == pytest.approx(lower, abs=5e-5)
    assert found["upper"] == pytest.approx(upper, abs=5e-5)
    assert found["share"] == pytest.approx(count / n, abs=1e-15)


@pytest.mark.parametrize(
    ("first", "second", "lower", "upper"),
    [
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((6, 7), (2, 7), 0.0582, 0.8062),
        ((5, 56), (0, 29), -0.0381, 0.1926),
        ((0, 10), (0, 20), -0.1611, 0.2775),
        ((0, 10), (0, 10), -0.2775, 0.2775),
        ((10, 10), (0, 20), 0.6791, 1.0),
        ((10, 10), (0, 10), 0.6075, 1.0),
    ],
)
def test_difference_of_newcombe_1998b(first, second, lower, upper):
    """Newcombe, Stat Med 1998;17:873, Table II, method 10; four decimals printed."""
    found = share_difference(*first, *second).iloc[0]
    assert found["lower"] == pytest.approx(lower, abs=5e-5)
    assert found["upper"] == pytest.approx(upper, abs=5e-5)


@pytest.mark.parametrize(
    ("first", "second", "lower", "upper"),
    [
        ((22, 117), (42, 116), -0.282934848228595, -0.0594619086879371),
        ((12, 117), (41, 116), -0.350965612134985, -0.144993242462158),
        ((24, 117), (52, 116), -0.353721356469812, -0.123322070333495),
        ((24, 117), (46, 116), -0.302201301244868, -0.0738163964293397),
    ],
)
def test_difference_of_the_licorice_gargle_trial(first, second, lower, upper):
    """Any throat pain, licorice minus sugar, R package medicaldata licorice_gargle: Newcombe limits from R 4.2.2,
    prop <- function(x, n) {z <- qnorm(.975); ...} (method 10 written out); agreement to 12 digits."""
    found = share_difference(*first, *second).iloc[0]
    assert found["lower"] == pytest.approx(lower, abs=1e-12)
    assert found["upper"] == pytest.approx(upper, abs=1e-12)


def test_limits_of_nobody_and_everybody_are_0_and_1():
    """3 and 12 of 12, 10 of 10 and others came out a rounding error off, 5.6e-17 above 0 or below 1."""
    for n in range(1, 60):
        found = share_interval([0, n], [n, n])
        assert found["lower"].iloc[0] == 0
        assert found["upper"].iloc[1] == 1


def test_empty_denominators_are_missing():
    assert share_interval(0, 0)[["share", "lower", "upper"]].isna().all(axis=None)
    assert share_difference(0, 0, 3, 10)[["difference", "lower", "upper"]].isna().all(axis=None)
    assert number_needed_to_treat(np.nan, np.nan, np.nan).words == "number needed to treat: not known"


def test_number_needed_of_altman():
    """Altman, BMJ 1998;317:1309 (the rule, no example read): invert the limits, through infinity where 0 is inside.
    1/|difference| of licorice_gargle from R."""
    clear = number_needed_to_treat(-0.174034777483053, -0.282934848228595, -0.0594619086879371)
    assert clear.kind == "harm"
    assert clear.number == pytest.approx(5.74597798475868, rel=1e-12)
    assert (clear.first, clear.last) == pytest.approx((1 / 0.282934848228595, 1 / 0.0594619086879371), rel=1e-12)
    assert not clear.through_infinity
    unclear = number_needed_to_treat(0.10, -0.05, 0.25)
    assert unclear.through_infinity
    assert (unclear.first, unclear.first_kind, unclear.last, unclear.last_kind) == (4.0, "benefit", 20.0, "harm")
    assert unclear.words.endswith("(95 % interval benefit 4.0 to infinity to harm 20)")


@pytest.mark.parametrize(
    ("difference", "shown"),
    [(1 / 4.32, "4.3"), (1 / 9.94, "9.9"), (1 / 9.96, "10"), (0.3 - 0.2, "10"), (1 / 10.2, "11"), (1 / 445.8, "446"),
     (1 / 12345.6, "12,346")],
)  # fmt: skip
def test_a_large_number_needed_is_written_in_whole_patients(difference, shown):
    """Rounded up, as no part of a patient is treated (common practice, no source); the number itself stays exact."""
    found = number_needed_to_treat(difference, difference / 2, difference * 2)
    assert found.words.startswith(f"number needed to treat for one to benefit {shown} (95 % interval ")
    assert found.number == pytest.approx(1 / difference)


def test_number_needed_at_no_difference_is_infinite():
    found = number_needed_to_treat(0.0, -0.2, 0.1)
    assert math.isinf(found.number)
    assert found.words == (
        "number needed to treat infinite, no difference (95 % interval benefit 10 to infinity to harm 5.0)"
    )


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        ((0.1, 0.0, 0.2), "to benefit 10 (95 % interval benefit 5.0 to infinity)"),
        ((-0.1, -0.2, -0.0), "to be harmed 10 (95 % interval harm 5.0 to infinity)"),
        ((0.1, 1e-17, 0.2), "to benefit 10 (95 % interval benefit 5.0 to infinity)"),
        ((0.0, 0.0, 0.25), "infinite, no difference (95 % interval benefit 4.0 to infinity)"),
        ((0.0, 0.0, 0.0), "infinite, no difference (95 % interval infinite throughout)"),
    ],
)
def test_a_limit_of_no_difference_ends_at_infinity(limits, words):
    found = number_needed_to_treat(*limits)
    assert found.words.endswith(words)
    assert math.isinf(found.last)
    assert not found.through_infinity


@pytest.mark.parametrize("limits", [(0.8, 0.5, 1.1), (10, 4, 16), (-0.8, -1.01, -0.5)])
def test_a_difference_beyond_one_is_refused(limits):
    with pytest.raises(
        ModelError, match=r"A difference of shares or its limits lie beyond -1 to 1\.\n  where: .*\n  what"
    ):
        number_needed_to_treat(*limits)


def test_a_number_needed_is_not_rounded_up_for_a_rounding_error():
    """0.7001 - 0.7 is 1e-4 but for rounding: 10,000 patients, not 10,001."""
    assert "to benefit 10,000 (" in number_needed_to_treat(0.7001 - 0.7, 5e-5, 2e-4).words


def test_an_impossible_level_is_refused():
    with pytest.raises(ModelError, match=r"The confidence level 95 is not between 0 and 1\.\n  what to do: .*0\.95"):
        share_interval(1, 2, level=95)


@given(st.integers(0, 60), st.integers(1, 60), st.integers(0, 60), st.integers(1, 60), st.floats(0.5, 0.999))
def test_difference_holds_its_estimate_and_turns_round(count, n, other, other_n, level):
    count, other = min(count, n), min(other, other_n)
    found = share_difference(count, n, other, other_n, level=level).iloc[0]
    back = share_difference(other, other_n, count, n, level=level).iloc[0]
    assert -1 <= found["lower"] <= found["difference"] <= found["upper"] <= 1
    assert found["lower"] == pytest.approx(-back["upper"], abs=1e-12)
    needed = number_needed_to_treat(found["difference"], found["lower"], found["upper"])
    assert needed.through_infinity == (found["lower"] < 0 < found["upper"])
    assert min(needed.first, needed.last) >= 1
