"""Thresholds from an anchor: identities of the methods, statsmodels, and anchors that cannot serve."""

import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import CohortWarning, ModelError
from analysis.outcomes.thresholds import anchor_methods as anchors
from analysis.outcomes.thresholds.anchor_quality import count_at_improvements
from analysis.outcomes.thresholds.found_thresholds import (
    ADJUSTED,
    CORNER,
    IMPROVED,
    MEAN_CHANGE,
    PREDICTIVE,
    YOUDEN,
    find_thresholds,
)


def sample(rng, n=300, share=0.5, gap=10.0, spread=8.0):
    improved = np.arange(n) < share * n
    return pd.DataFrame(
        {"improvement": rng.normal(np.where(improved, gap, 0.0), spread), "anchor": improved.astype(int)}
    )


def estimates(found):
    return found.anchor_based.set_index("method")["estimate"]


def test_predictive_modelling_is_the_logistic_regression_of_statsmodels(rng):
    """Terluin 2015: (log odds(p) - C) / B with C and B from statsmodels Logit."""
    data = sample(rng, share=0.3)
    fit = sm.Logit(data["anchor"], sm.add_constant(data["improvement"])).fit(disp=0)
    counts = count_at_improvements(data["improvement"].to_numpy(), data["anchor"].to_numpy() == 1)
    intercept, slope = anchors.predictive_fit(counts)
    assert (intercept[0], slope[0]) == pytest.approx(tuple(fit.params), rel=1e-7)
    found = estimates(find_thresholds(data, improved=[1], draws=10))
    assert found[PREDICTIVE] == pytest.approx((np.log(0.3 / 0.7) - fit.params.iloc[0]) / fit.params.iloc[1], rel=1e-7)


def test_adjustments_by_hand(rng):
    """Terluin 2017 and 2022, formulas of the papers; r by numpy.corrcoef, SD of all changes."""
    data = sample(rng, share=0.7)
    found = estimates(find_thresholds(data, improved=[1], anchor_reliability=0.6, draws=10))
    spread, r, odds = data["improvement"].std(), np.corrcoef(data["improvement"], data["anchor"])[0, 1], np.log(7 / 3)
    assert found[ADJUSTED] == pytest.approx(found[PREDICTIVE] - (0.090 + 0.103 * r) * spread * odds, rel=1e-12)
    assert found[IMPROVED] == pytest.approx(found[PREDICTIVE] - (0.8 / 0.6 - 0.5) * spread * r * odds, rel=1e-12)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(6, 20), st.floats(0.3, 1.0))
def test_with_half_improved_the_three_predictive_thresholds_agree(seed, gap, reliability):
    data = sample(np.random.default_rng(seed), n=120, share=0.5, gap=gap)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", CohortWarning)  # a weak anchor is warned of; the identity holds for it too
        values = estimates(find_thresholds(data, improved=[1], anchor_reliability=reliability, draws=0))
    assert values[ADJUSTED] == pytest.approx(values[PREDICTIVE], abs=1e-9, nan_ok=True)
    assert values[IMPROVED] == pytest.approx(values[PREDICTIVE], abs=1e-9, nan_ok=True)


@pytest.mark.parametrize("share", [0.5, 0.2])
def test_two_normal_groups_of_one_spread_meet_half_way(share):
    """Two normal groups of equal variance: the predictive threshold and both cuts of the characteristic are the
    midpoint of the group means, whatever the share improved. Large sample: quantiles of the normal instead of draws."""
    from scipy.stats import norm

    yes, no = int(4000 * share), int(4000 * (1 - share))
    gains = [norm.ppf((np.arange(n) + 0.5) / n, mean, 8) for n, mean in ((yes, 12), (no, 2))]
    data = pd.DataFrame({"improvement": np.concatenate(gains), "anchor": np.repeat([1, 0], [yes, no])})
    found = estimates(find_thresholds(data, improved=[1], draws=0))
    assert found[PREDICTIVE] == pytest.approx(7, abs=0.03)
    assert found[YOUDEN] == pytest.approx(7, abs=0.1)
    assert found[CORNER] == pytest.approx(7, abs=0.1)


def test_mean_change_and_cuts_by_hand():
    data = pd.DataFrame({"improvement": [0, 1, 2, 6, 7, 9, 20], "anchor": [0, 0, 0, 1, 1, 2, 2]})
    found = estimates(find_thresholds(data, improved=[1, 2], slightly_better=[1], draws=0))
    assert found[MEAN_CHANGE] == 6.5
    assert found[YOUDEN] == found[CORNER] == 4
    assert np.isnan(found[PREDICTIVE])  # the classes are separated


def test_youden_and_the_corner_can_differ():
    """By hand, cuts 0.5, 1.5, 2.5: sensitivity 1, .9, .62; specificity .3, .7, 1; Youden .3, .6, .62; squared
    distance from the corner .49, .10, .1444."""
    improved, others = np.array([[0.0, 10, 28, 62]]), np.array([[30.0, 40, 30, 0]])
    youden, corner = anchors.curve_cuts(anchors.AnchorCounts(np.arange(4.0), improved, others))
    assert (youden[0], corner[0]) == (2.5, 1.5)


def test_area_is_the_mann_whitney_share(rng):
    """scipy.stats.mannwhitneyu: U / (n1 n2), ties half."""
    from scipy.stats import mannwhitneyu

    data = sample(rng).round()
    found = find_thresholds(data, improved=[1], draws=0).anchor.iloc[0]
    yes, no = (data.loc[data["anchor"] == k, "improvement"] for k in (1, 0))
    assert found["area"] == pytest.approx(mannwhitneyu(yes, no).statistic / len(yes) / len(no))
    assert found["area_lower"] < found["area"] < found["area_upper"]


def test_below_the_error_of_one_test_is_said(rng):
    data = sample(rng).assign(baseline=rng.normal(50, 12, 300))
    found = find_thresholds(data, improved=[1], measurement_error=4, draws=50)
    assert found.anchor_based["against_error"].eq("below what one test can detect").all()
    sizes = found.distribution_based.set_index("method")["estimate"]
    assert sizes["minimal detectable change (95 %)"] == pytest.approx(1.959964 * 2**0.5 * 4, rel=1e-6)
    assert sizes["half a standard deviation of the baseline"] == pytest.approx(data["baseline"].std() / 2)
    assert not set(found.distribution_based["method"]) & set(found.anchor_based["method"])
    small = find_thresholds(data, improved=[1], measurement_error=0.5, draws=0)
    assert small.anchor_based["against_error"].eq("at or above what one test can detect").all()


def test_bootstrap_repeats_and_holds_the_estimate(rng):
    data = sample(rng, share=0.4)
    one = find_thresholds(data, improved=[1], draws=200, seed=5).anchor_based
    again = find_thresholds(data.sample(frac=1, random_state=1), improved=[1], draws=200, seed=5).anchor_based
    known = one.dropna(subset=["estimate"])
    assert (known["lower"] < known["estimate"]).all()
    assert (known["estimate"] < known["upper"]).all()
    pd.testing.assert_frame_equal(one[["method", "estimate"]], again[["method", "estimate"]])
    pd.testing.assert_frame_equal(one, find_thresholds(data, improved=[1], draws=200, seed=5).anchor_based)


@pytest.mark.slow
def test_bootstrap_error_is_that_of_the_logistic_model(rng):
    """Predictive threshold: the spread of the draws against repeated samples of the same population (200 samples)."""
    found = find_thresholds(sample(rng, share=0.5), improved=[1], draws=400).anchor_based.set_index("method")
    width = found.loc[PREDICTIVE, "upper"] - found.loc[PREDICTIVE, "lower"]
    repeats = [estimates(find_thresholds(sample(rng), improved=[1], draws=0))[PREDICTIVE] for _ in range(200)]
    assert width == pytest.approx(3.92 * np.std(repeats), rel=0.25)


def test_baseline_dependence_is_seen(rng):
    n = 3000
    start, gain = rng.normal(50, 10, n), rng.normal(8, 10, n)
    needed = 8 + 0.4 * (start - 50)
    feels = (gain + rng.logistic(0, 3, n) > needed).astype(int)
    data = pd.DataFrame({"improvement": gain, "anchor": feels, "baseline": start})
    row = find_thresholds(data, improved=[1], draws=0).baseline_dependence.iloc[0]
    assert row["lower"] < 0.4 < row["upper"]
    assert row["upper"] - row["lower"] < 0.15
    assert find_thresholds(data.drop(columns="baseline"), improved=[1], draws=0).baseline_dependence.empty


def test_an_anchor_of_the_present_state_shows_in_its_correlations(rng):
    start, gain = rng.normal(50, 10, 500), rng.normal(8, 8, 500)
    data = pd.DataFrame({"improvement": gain, "baseline": start})
    state = find_thresholds(data.assign(anchor=(start + gain).round()), improved=range(62, 200), draws=0).anchor
    change = find_thresholds(data.assign(anchor=gain.round()), improved=range(10, 99), draws=0).anchor
    assert state["with_follow_up"].item() > 0.95
    assert state["with_baseline"].item() > 0.5
    assert abs(change["with_baseline"].item()) < 0.15


def test_one_class_is_refused(rng):
    with pytest.raises(ModelError, match=r"The anchor has one class: 0 of 300 patients .*\n  what to do: Check which"):
        find_thresholds(sample(rng), improved=[7])
    with pytest.raises(ModelError, match="The anchor has one class: 300 of 300"):
        find_thresholds(sample(rng), improved=[0, 1])


def test_the_wrong_way_round_is_said(rng):
    data = sample(rng)
    with pytest.raises(ModelError, match=r"the wrong way round: patients who count as improved changed -.* others"):
        find_thresholds(data.assign(improvement=-data["improvement"]), improved=[1])


def test_a_weak_anchor_warns(rng):
    data = sample(rng, gap=0.5)
    with pytest.warns(CohortWarning, match=r"correlate 0\.\d\d, below the usual floor of 0\.3 to 0\.5"):
        found = find_thresholds(data, improved=[1], draws=0)
    assert any("mean little" in note for note in found.notes)


def test_missing_columns_values_and_a_bad_reliability(rng):
    data = sample(rng)
    with pytest.raises(ModelError, match=r"lack the column 'anchor'\.\n  where: columns there: improvement"):
        find_thresholds(data.drop(columns="anchor"), improved=[1])
    with pytest.raises(ModelError, match="The reliability 70 is not between 0 and 1"):
        find_thresholds(data, improved=[1], anchor_reliability=70)
    holed = data.assign(anchor=data["anchor"].where(data.index > 2))
    assert (
        "3 patients without an improvement or an anchor are left out."
        in find_thresholds(holed, improved=[1], draws=0).notes
    )


def test_progress_is_told(rng):
    told = []
    find_thresholds(sample(rng), improved=[1], draws=3000, tell=lambda done, total: told.append((done, total)))
    assert told[-1] == (3000, 3000)
    assert len(told) > 1
