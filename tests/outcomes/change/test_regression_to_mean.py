"""Regression to the mean: the computed answer of the lesson, a simulation of nothing happening, bad input."""

import numpy as np
import pytest

from analysis.errors import ModelError
from analysis.outcomes.change.regression_to_mean import chosen_group_change, regression_to_mean
from analysis.outcomes.chosen_endpoint import choose_endpoint


def test_the_worst_quarter_gains_seven_points_six_without_treatment():
    """Computed: SD 15, test-retest 0.6, worst quarter: 15 x 0.4 x phi(0.6745) / 0.25 = 15 x 0.4 x 0.317776 / 0.25."""
    found = regression_to_mean(15, 0.6, share=0.25)
    assert found.expected_change == pytest.approx(15 * 0.4 * 0.3177766 / 0.25, rel=1e-6)
    assert round(found.expected_change, 1) == 7.6
    assert found.words.startswith("Of a group chosen as the lowest 25 % (at or below -10.1) a rise of 7.63")


def test_share_and_cutoff_say_the_same():
    by_share = regression_to_mean(12, 0.7, share=0.1, mean=50)
    by_cutoff = regression_to_mean(12, 0.7, cutoff=by_share.cutoff, mean=50)
    assert by_cutoff.share == pytest.approx(0.1)
    assert by_cutoff.expected_change == pytest.approx(by_share.expected_change)
    assert by_share.second - by_share.first == pytest.approx(by_share.expected_change)


def test_a_cutoff_of_zero_and_one_far_out():
    """At the mean half are chosen: phi(0) / 0.5 = 0.797885. Far out the mean of the chosen nears the cutoff."""
    assert regression_to_mean(10, 0.5, cutoff=0).expected_change == pytest.approx(10 * 0.5 * 0.7978846, rel=1e-6)
    assert regression_to_mean(1, 0.5, cutoff=-40).first == pytest.approx(-40.025, abs=1e-3)


def test_two_measurements_of_unchanged_patients(rng):
    """400,000 pairs with the correlation given: the chosen gain what the formula says."""
    first = rng.normal(50, 15, 400_000)
    second = 50 + 0.6 * (first - 50) + rng.normal(0, 15 * 0.8, len(first))
    chosen = first <= np.quantile(first, 0.25)
    assert (second - first)[chosen].mean() == pytest.approx(
        regression_to_mean(15, 0.6, share=0.25, mean=50).expected_change, abs=0.15
    )


@pytest.mark.parametrize("measure", ["ikdc", "pain"])
def test_a_cohort_in_which_nothing_happens(make_cohort, rng, measure):
    """True values constant, error of measurement only, reliability 0.8: nothing is left beyond the expectation. In a
    measure where lower is better the worst are the highest."""
    true = rng.normal(5 if measure == "pain" else 50, 1.0, 2000)
    first, second = (true + rng.normal(0, 0.5, 2000) for _ in range(2))
    changes = list(second - first)
    cohort = make_cohort({"usual": changes[:1000], "early": changes[1000:]}, measure=measure, baselines=list(first))
    found = chosen_group_change(cohort, choose_endpoint(cohort, measure, week=26, criterion=None), correlation=0.8)
    row = found.table.set_index("protocol").loc["all protocols"]
    assert row["chosen"] == row["n"] == 500
    assert row["expected"] == pytest.approx(0.2 * np.hypot(1, 0.5) * 1.2711, abs=0.02)
    assert row["lower"] < 0 < row["upper"]
    assert row["improvement"] == pytest.approx(row["expected"], abs=0.08)
    worst = first >= np.quantile(first, 0.75) if measure == "pain" else first <= np.quantile(first, 0.25)
    assert row["baseline"] == pytest.approx(first[worst].mean(), abs=1e-6)
    assert found.table["protocol"].tolist() == ["all protocols", "usual", "early"]


@pytest.mark.parametrize(
    ("share", "n", "chosen"), [(0.07, 100, 7), (0.29, 100, 29), (0.3, 10, 3), (0.25, 10, 3), (0.01, 50, 1)]
)
def test_the_share_chosen_is_rounded_up_but_not_for_a_rounding_error(make_cohort, share, n, chosen):
    """In floating point 0.07 x 100 is 7.000000000000001."""
    cohort = make_cohort({"usual": [1.0] * n}, baselines=[float(k) for k in range(n)])
    assert chosen_group_change(
        cohort, choose_endpoint(cohort, "ikdc", week=26, criterion=None), correlation=0.5, share=share
    ).table["chosen"].tolist() == [chosen]


def test_the_mean_of_all_is_that_of_everybody_with_a_baseline(make_cohort):
    """Baselines 10, 20, 40, 50, 80; the worst two chosen, of whom 10 was seen: (1 - 0.5) (40 - 10) = 15 expected, though
    the mean of those seen is 140 / 3."""
    cohort = make_cohort({"usual": [20, None, 5, None, 5]}, baselines=[10, 20, 40, 50, 80])
    endpoint = choose_endpoint(cohort, "ikdc", week=26, criterion=None)
    row = chosen_group_change(cohort, endpoint, correlation=0.5, share=0.4).table.iloc[0]
    assert row[["chosen", "n", "expected", "beyond"]].tolist() == [2, 1, 15, 5]


def test_nobody_seen_of_a_protocol_is_missing(make_cohort):
    cohort = make_cohort({"usual": [3, 4, 5], "early": [None, None]}, baselines=[10, 50, 60, 20, 55])
    table = chosen_group_change(
        cohort, choose_endpoint(cohort, "ikdc", week=26, criterion=None), correlation=0.5, share=0.4
    ).table.set_index("protocol")
    assert table.loc["early", ["chosen", "n"]].tolist() == [1, 0]
    assert table.loc["early", ["baseline", "improvement", "expected", "beyond", "lower"]].isna().all()
    assert table.loc["usual", "n"] == 1
    assert np.isnan(table.loc["usual", "lower"])


def test_numbers_out_of_range_are_explained(make_cohort):
    with pytest.raises(ModelError, match=r"standard deviation 0 is not above 0"):
        regression_to_mean(0, 0.5, share=0.2)
    with pytest.raises(ModelError, match=r"test-retest correlation 1\.2 is not between 0 and 1"):
        regression_to_mean(1, 1.2, share=0.2)
    with pytest.raises(ModelError, match="share of patients chosen, 25, is not between 0 and 1"):
        regression_to_mean(1, 0.5, share=25)
    for both in ({}, {"share": 0.2, "cutoff": 3.0}):
        with pytest.raises(ModelError, match="Either the share of patients chosen or the cutoff"):
            regression_to_mean(1, 0.5, **both)
    without = make_cohort({"usual": [3, 4]}, baselines=[None, None])
    with pytest.raises(ModelError, match="Nobody has a baseline of 'ikdc'"):
        chosen_group_change(without, choose_endpoint(without, "ikdc", week=26, criterion=None), correlation=0.5)
