"""Means with t intervals and Welch's differences, beside R 4.2.2 (data sleep)."""

import numpy as np
import pandas as pd
import pytest

from analysis.statistics.mean_interval import describe_by, half_width, welch

FIRST = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SECOND = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def error(values):
    return float(np.std(values, ddof=1)) / len(values) ** 0.5


def test_the_difference_of_two_groups_is_that_of_r():
    """t.test(extra ~ group, data = sleep): df, conf.int, stderr."""
    std_error, df = welch(error(FIRST), 10, error(SECOND), 10)
    assert (std_error, df) == pytest.approx((0.849091017238, 17.7764735162), rel=1e-10)
    half = half_width(std_error, df, level=0.95)
    gap = np.mean(FIRST) - np.mean(SECOND)
    assert (gap - half, gap + half) == pytest.approx((-3.36548323071, 0.205483230708), rel=1e-9)


def test_the_mean_of_a_group_is_that_of_r():
    """t.test(sleep$extra[1:10]): conf.int."""
    found = describe_by(pd.DataFrame({"group": 1, "extra": FIRST}), ["group"], "extra", level=0.95).iloc[0]
    assert (found["lower"], found["upper"], found["df"]) == pytest.approx(
        (-0.529780413526, 2.029780413526, 9), rel=1e-9
    )


def test_where_nothing_varies_or_nobody_is_left_there_is_no_interval():
    assert np.isnan(welch(0.0, 10, 0.0, 10)).all()
    assert np.isnan(welch(float("nan"), 1, 0.5, 10)).all()
    assert np.isnan(half_width(1.0, 0, level=0.95))
    assert np.isnan(half_width(1.0, float("nan"), level=0.95))
