"""Laney's charts against R, and when the quarter report takes them."""

import numpy as np
import pandas as pd
import pytest

from analysis.errors import ModelError
from analysis.quarter.counts import Indicator, QuarterCounts
from analysis.quarter.over_time.charts import chart_of
from analysis.quarter.over_time.control_charts import p_chart, u_chart
from analysis.quarter.over_time.prime_charts import for_large_denominators, p_prime_chart, u_prime_chart
from analysis.quarter.release import release


def counts(numerator, denominator):
    periods = [f"{2020 + i // 12}-{i % 12 + 1:02d}" for i in range(len(numerator))]
    return pd.DataFrame({"period": periods, "numerator": numerator, "denominator": denominator})


SHARES = counts(
    [612, 540, 705, 668, 590, 731, 498, 655, 702, 577, 640, 689],
    [1180, 1105, 1243, 1266, 1201, 1290, 1098, 1187, 1312, 1150, 1224, 1205],
)
RATES = counts(
    [820, 655, 905, 702, 860, 640, 955, 700, 880, 612, 915, 745],
    [2100, 2050, 2200, 1980, 2150, 2010, 2260, 2040, 2120, 1990, 2230, 2080],
)


@pytest.mark.parametrize(
    ("draw", "points", "centre", "sigma_z", "first", "seventh"),
    [
        (p_prime_chart, SHARES, 0.5260355439, 3.2724720399, (0.383331386, 0.668739702), (0.378098662, 0.673972426)),
        (u_prime_chart, RATES, 0.3724315748, 5.2326709809, (0.163377671, 0.581485479), (0.170913637, 0.573949512)),
    ],
)
def test_limits_as_r_computes_them(draw, points, centre, sigma_z, first, seventh):
    """R 4.2.2, Laney's formulas (Qual Eng 2002;14:531, from memory): p <- d / n; m <- sum(d) / sum(n); s <- sqrt(m * (1 - m)
    / n), for rates sqrt(m / n); z <- (p - m) / s; sz <- mean(abs(diff(z))) / 1.128; m -+ 3 * s * sz."""
    chart = draw(points)
    assert chart.sigma_z == pytest.approx(sigma_z, rel=1e-9)
    assert chart.table["centre"].tolist() == pytest.approx([centre] * 12, rel=1e-9)
    for place, limits in ((0, first), (6, seventh)):
        assert chart.table.loc[place, ["lower", "upper"]].tolist() == pytest.approx(limits, rel=1e-8)
    assert f"sigma Z of {sigma_z:.2f}" in chart.notes[0]


def test_limits_of_a_share_end_at_0_and_1():
    chart = p_prime_chart(counts([10, 990] * 6, 1000))
    assert chart.table["lower"].eq(0).all()
    assert chart.table["upper"].eq(1).all()
    rate = u_prime_chart(counts([10, 1990] * 6, 1000))
    assert rate.table["lower"].eq(0).all()
    assert (rate.table["upper"] > 1).all()


@pytest.mark.parametrize(("draw", "numerator"), [(p_prime_chart, 0), (p_prime_chart, 40), (u_prime_chart, 0)])
def test_a_baseline_of_nobody_or_everybody_is_refused_for_what_it_is(draw, numerator):
    with pytest.raises(ModelError, match="The baseline does not vary: nobody in it is counted, or everybody"):
        draw(counts([numerator] * 12, 40))


def test_one_point_is_refused():
    with pytest.raises(ModelError, match="The baseline holds 1 points; a p' chart needs 2 at least"):
        p_prime_chart(counts([5], [10]))


def test_no_variation_leaves_no_limits_and_no_signal():
    chart = p_prime_chart(counts([50] * 12, 100))
    assert chart.sigma_z == 0
    assert chart.table["rules"].eq("").all()


def test_large_and_overdispersed_baselines_get_it_and_say_so():
    for plain, kind in ((p_chart(SHARES), "p'"), (u_chart(RATES), "u'")):
        assert plain.table["rules"].str.contains("outside").any()
        chart = for_large_denominators(plain)
        assert chart.kind == kind
        assert not chart.table["rules"].str.contains("outside").any()
        assert chart.notes[-1].startswith(
            f"Taken in place of the {plain.kind} chart because denominators are large (median "
        )
        assert chart.notes[-1].endswith(f"vary {plain.spread:.1f} times as much as chance alone would make them.")
        assert not any("limits are too narrow" in note for note in chart.notes)


def test_small_denominators_short_baselines_and_chance_keep_the_plain_chart():
    small = counts(SHARES["numerator"] // 10, SHARES["denominator"] // 10)
    assert for_large_denominators(p_chart(small)).kind == "p"
    short = list(SHARES["period"][:11])
    assert for_large_denominators(p_chart(SHARES, baseline=short)).kind == "p"
    rng = np.random.default_rng(5)
    steady = [for_large_denominators(p_chart(counts(rng.binomial(1000, 0.5, 12), 1000))).kind for _ in range(80)]
    assert steady.count("p'") < 7  # 2.8 % of standard deviations of 12 values pass 1.4 (chi-square): 2.2 expected


def test_a_level_that_moved_once_is_still_a_special_cause():
    """Six low, six high: neighbours differ as chance makes them, so sigma Z is not far from 1 and the shift is seen."""
    rng = np.random.default_rng(2)
    chart = for_large_denominators(p_chart(counts(rng.binomial(1000, np.repeat([0.45, 0.55], 8)), 1000)))
    assert chart.table["rules"].str.contains("shift").sum() == 16
    assert chart.kind == "p'"
    assert "the level moved within the baseline" in chart.notes[-1]


def test_the_chart_of_an_indicator_may_be_laneys():
    rows = [("seen", period, "a", n) for period, n in zip(SHARES["period"], SHARES["denominator"], strict=True)]
    rows += [("better", period, "a", d) for period, d in zip(SHARES["period"], SHARES["numerator"], strict=True)]
    table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    one = Indicator("better", "Better", "share", "outcome", "higher", "better", "seen", "better", "seen")
    periods = list(SHARES["period"])
    shown = release(QuarterCounts((one,), table), "2020-Q4", baseline=periods, window=periods[-3:])
    chart = chart_of(shown, one).chart
    assert chart.kind == "p'"
    assert chart.sigma_z == pytest.approx(3.2724720399, rel=1e-9)
