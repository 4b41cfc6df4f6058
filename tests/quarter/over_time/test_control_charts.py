"""Control charts and run charts against published values, and their rules on made-up series."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import ModelError
from analysis.quarter.over_time.control_charts import p_chart, u_chart, xmr_chart
from analysis.quarter.over_time.run_chart import limits_of_runs, run_chart
from analysis.quarter.over_time.special_causes import special_causes


def months(n):
    return [f"{2020 + i // 12}-{i % 12 + 1:02d}" for i in range(n)]


def points(values, **more):
    return pd.DataFrame({"period": months(len(values)), "value": values, **more})


def counts(numerator, denominator):
    n = len(numerator)
    return pd.DataFrame({"period": months(n), "numerator": numerator, "denominator": np.broadcast_to(denominator, n)})


# NIST/SEMATECH e-Handbook 6.3.2.2, flow rate of ten batches.
NIST_INDIVIDUALS = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
# NIST/SEMATECH e-Handbook 6.3.3.2, chips on 30 wafers of 50.
NIST_SHARES = [
    12,
    15,
    8,
    10,
    4,
    7,
    16,
    9,
    14,
    10,
    5,
    6,
    17,
    12,
    22,
    8,
    10,
    5,
    13,
    11,
    20,
    18,
    24,
    15,
    9,
    12,
    7,
    13,
    9,
    6,
]


def test_individuals_as_nist_has_them():
    chart = xmr_chart(points(NIST_INDIVIDUALS))
    row = chart.table.iloc[0]
    assert row["centre"] == pytest.approx(50.81, abs=1e-10)
    assert chart.table["moving_range"].mean() == pytest.approx(1.8778, abs=5e-5)
    assert (row["lower"], row["upper"]) == pytest.approx((45.8159, 55.8041), abs=5e-5)
    assert chart.range_limit == pytest.approx(3.267 * 1.8778, abs=5e-4)  # D4 of the table of constants
    assert not chart.table["rules"].str.contains("outside").any()


def test_limits_of_individuals_come_from_the_baseline_alone():
    """Moving ranges of 1 in the baseline: 1.5 -+ 3 / 1.128; the jump from 2 to 20 after it is in no limit."""
    chart = xmr_chart(points([1, 2, 1, 2, 20, 2]), baseline=months(4))
    assert chart.table.loc[0, ["lower", "centre", "upper"]].tolist() == pytest.approx(
        [-1.15957, 1.5, 4.15957], abs=1e-5
    )
    assert chart.range_limit == pytest.approx(3.267)


def test_the_spread_of_the_baseline_is_that_of_a_sample():
    # 40 and 60 of 100 about 50 %: -2 and 2 standard deviations, whose own is the root of (4 + 4) / 1
    assert p_chart(counts([40, 60], 100)).spread == pytest.approx(8**0.5)


def test_shares_as_nist_has_them():
    chart = p_chart(counts(NIST_SHARES, 50))
    row = chart.table.iloc[0]
    assert row["centre"] == pytest.approx(0.2313, abs=5e-5)
    assert (row["lower"], row["upper"]) == pytest.approx((0.0524, 0.4102), abs=5e-5)
    outside = chart.table.index[chart.table["rules"].str.contains("outside")] + 1
    assert list(outside) == [15, 23]


def test_rates_by_hand():
    # Centre 60 / 300 = 0.2; three standard deviations sqrt(0.2 / 100) * 3 = 0.134164 and sqrt(0.2 / 200) * 3 = 0.094868.
    chart = u_chart(counts([10, 50], [100, 200]))
    assert chart.table["centre"].tolist() == [0.2, 0.2]
    assert chart.table["upper"].tolist() == pytest.approx([0.334164, 0.294868], abs=1e-6)
    assert chart.table["lower"].tolist() == pytest.approx([0.065836, 0.105132], abs=1e-6)


def test_baseline_stays_fixed_when_periods_are_added():
    first = p_chart(counts(NIST_SHARES[:20], 50), baseline=months(12))
    longer = p_chart(counts(NIST_SHARES, 50), baseline=months(12))
    pd.testing.assert_frame_equal(
        first.table[["centre", "lower", "upper"]], longer.table.loc[:19, ["centre", "lower", "upper"]]
    )
    assert longer.baseline == tuple(months(12))
    assert longer.table["in_baseline"].sum() == 12


def test_an_empty_denominator_is_a_missing_point_and_no_share_of_zero():
    chart = p_chart(counts([5, 0, 6], [10, 0, 10]))
    assert np.isnan(chart.table.loc[1, "value"])
    assert np.isnan(chart.table.loc[1, "upper"])
    assert chart.table["centre"].tolist() == pytest.approx([0.55] * 3)


def test_total_of_the_baseline_may_hold_hidden_periods():
    hidden = counts([5, np.nan, 6], [10, np.nan, 10])
    assert p_chart(hidden, baseline_total=(20, 30)).table.loc[0, "centre"] == pytest.approx(2 / 3)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: p_chart(counts([11], [10])), "A numerator is larger than its denominator."),
        (lambda: p_chart(counts([0], [0])), "The baseline holds 0 points"),
        (lambda: xmr_chart(points([1.0])), "The baseline holds 1 points"),
        (lambda: p_chart(counts([1], [10]), baseline=["2031-01"]), "names a period that is not in the data: 2031-01"),
        (lambda: run_chart(points([np.nan])), "No point of the baseline has a value"),
    ],
)
def test_bad_input_is_explained(make, message):
    with pytest.raises(ModelError, match=message.replace("(", r"\(")):
        make()


def test_limits_without_width_have_no_inner_third():
    """No harm in sixteen quarters: every point lies on the line, and so do the limits."""
    assert special_causes([0.0] * 16, [0.0] * 16, [0.0] * 16) == [()] * 16
    assert special_causes([0.0] * 16, [0.0] * 16, [1.0] * 16) == [("hugging",)] * 16


@pytest.mark.slow
@pytest.mark.parametrize(("quarters", "told"), [(16, 0.02), (24, 0.04)])
def test_how_often_nothing_looks_like_a_change(quarters, told):
    """Why a rule met is no signal of a release: shares of 120 patients at 60 %, the first twelve quarters the baseline."""
    rng, found = np.random.default_rng(quarters), 0
    for _ in range(4000):
        shares = rng.binomial(120, 0.6, quarters) / 120
        centre = shares[:12].mean()
        rules = special_causes(shares, [centre] * quarters, [np.sqrt(centre * (1 - centre) / 120)] * quarters)[-1]
        found += bool(set(rules) - {"hugging"})
    assert found / 4000 == pytest.approx(told, abs=0.01)


def rules_of(values, sigma=1.0):
    return special_causes(values, np.zeros(len(values)), np.full(len(values), sigma))


def positions(values, rule):
    return [i for i, found in enumerate(rules_of(values)) if rule in found]


# Numbers of the rules: Provost & Murray, The Health Care Data Guide 2011, as repeated in the CPHQ teaching sheet of the
# National Association for Healthcare Quality (one point outside; 8 on a side; 6 rising or falling; 2 of 3 in the outer
# third; 15 in the inner third).
def test_shift_needs_eight_and_skips_points_on_the_line():
    assert positions([0.5] * 7 + [-0.5], "shift") == []
    assert positions([1.2] * 8 + [-0.5], "shift") == list(range(8))
    assert positions([1.2] * 4 + [0.0] + [1.2] * 4, "shift") == [0, 1, 2, 3, 5, 6, 7, 8]
    assert positions([1.2] * 7 + [0.0], "shift") == []


def test_trend_needs_six_and_skips_ties():
    rising = [-1.2, -0.8, -0.4, 0.1, 0.5]
    assert positions([*rising, 0.4], "trend") == []
    assert positions([*rising, 0.9, 0.3], "trend") == list(range(6))
    assert positions([*rising, 0.5, 0.9, 0.3], "trend") == [0, 1, 2, 3, 4, 6]
    assert positions([-x for x in rising] + [-0.9], "trend") == list(range(6))


def test_two_of_three_and_outside_and_hugging():
    assert positions([2.5, 0.1, 2.2], "two of three") == [0, 2]
    assert positions([2.5, 0.1, -2.2], "two of three") == []
    assert positions([2.5, 0.1, 0.2, 2.2], "two of three") == []
    assert positions([3.01, 3.0, -3.2], "outside") == [0, 2]
    inner = [0.5, -0.5] * 8
    assert positions(inner[:14], "hugging") == []
    assert positions(inner[:15], "hugging") == list(range(15))


def test_missing_points_are_left_out_of_patterns():
    values = [1.2] * 4 + [np.nan] + [1.2] * 4
    found = special_causes(values, np.zeros(9), np.ones(9))
    assert found[4] == ()
    assert all("shift" in found[i] for i in range(9) if i != 4)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(-5, 5).map(lambda x: round(x, 2)), min_size=1, max_size=30))
def test_rules_do_not_depend_on_which_side_is_up(values):
    assert rules_of(values) == rules_of([-x for x in values])


def test_a_stable_process_seldom_signals_outside():
    # Three standard deviations of a normal value: 0.27 % outside; of 4000 points 10.8 are expected, 25 is 4.3 SD above.
    values = np.random.default_rng(3).normal(size=4000)
    assert 1 <= len(positions(list(values), "outside")) < 25


# Swed & Eisenhart 1943 (critical numbers of runs at 2.5 % in each tail, as printed in textbooks; from memory): runs at
# or below the first, or at or above the second, are significant.
@pytest.mark.parametrize(("each", "few", "many"), [(5, 2, 10), (8, 4, 14), (10, 6, 16), (15, 10, 22), (20, 14, 28)])
def test_limits_of_runs_as_tabled(each, few, many):
    assert limits_of_runs(each, each) == (few + 1, many - 1)


def test_run_rules_of_perla_and_colleagues():
    # Shift: six on a side, points on the median left out. Trend: five, ties left out. BMJ Qual Saf 2011;20:46.
    five = run_chart(points([1, 3, 1, 3, 1, 3, 3, 3, 3, 3]), baseline=months(4))
    assert not five.table["rules"].str.contains("shift").any()
    six = run_chart(points([1, 3, 1, 3, 1, 3, 3, 3, 3, 3, 3]), baseline=months(4))
    assert six.table.index[six.table["rules"].str.contains("shift")].tolist() == [5, 6, 7, 8, 9, 10]
    rising = run_chart(points([5, 1, 2, 3, 4, 5, 1]))
    assert rising.table.index[rising.table["rules"].str.contains("trend")].tolist() == [1, 2, 3, 4, 5]


def test_too_few_and_too_many_runs():
    assert run_chart(points([1] * 8 + [2] * 8)).rules == ("few runs",)
    assert run_chart(points([1, 2] * 8)).rules == ("many runs",)
    assert run_chart(points([1] * 5 + [2] * 5)).rules == ("few runs",)  # ten points off the median are enough
    quiet = run_chart(points([1, 2, 2, 1, 1, 2, 1, 2]))
    assert quiet.rules == ()
    assert "10 are needed" in quiet.notes[-1]
