"""Funnel limits against values computed in R, over-dispersion, and case mix against another program and the truth."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.special import expit

from analysis.errors import ModelError
from analysis.quarter.sites.case_mix import case_mix
from analysis.quarter.sites.funnel import BEYOND_95, BEYOND_998, WITHIN, exact_limit, funnel

# Interpolated exact binomial limits about 0.70 (method of Spiegelhalter, Stat Med 2005;24:1185), computed in R 4.2.2:
# r <- qbinom(p, n, .7); a <- (pbinom(r, n, .7) - p) / dbinom(r, n, .7); (r - a) / n
R_LIMITS = {
    (20, 0.001): 0.336300320652033, (20, 0.025): 0.462744853404853, (20, 0.975): 0.868823494019324,
    (20, 0.999): 0.948522683311719, (50, 0.025): 0.559864113283119, (50, 0.999): 0.876870015452461,
    (100, 0.001): 0.54843737613915, (100, 0.975): 0.783097614208927, (200, 0.025): 0.632959224650795,
    (400, 0.001): 0.62656955875933, (400, 0.999): 0.768048650930569,
}  # fmt: skip


@pytest.mark.parametrize(("n", "tail"), list(R_LIMITS))
def test_exact_limits_as_r_has_them(n, tail):
    assert float(exact_limit(tail, [n], 0.7)[0]) == pytest.approx(R_LIMITS[n, tail], abs=1e-10)


@pytest.mark.parametrize("target", [0.02, 0.7, 0.97])
def test_limits_stay_a_share_where_the_normal_ones_do_not(target):
    """Normal 99.8 % limits at n = 20: R, .7 + qnorm(.999) * sqrt(.7 * .3 / 20) = 1.01665; about .02 they fall below 0."""
    n = np.array([1, 2, 5, 9, 20, 20, 20, 57, 400, 400])
    for found in (funnel(sites(np.round(n * target), n), target=target), funnel(sites(n * (n % 2), n), target=target)):
        limits = pd.concat([found.table, found.limits]).filter(regex="lower|upper")
        assert limits.shape[1] == 8
        assert limits.min(axis=None) >= 0
        assert limits.max(axis=None) <= 1
    assert found.over_dispersed


def test_poisson_limits_hold_their_probability():
    # Interpolated limits lie within one event of the whole-number quantile.
    found = exact_limit(0.025, [200], 0.1, "rate") * 200
    assert stats.poisson(20).ppf(0.025) - 1 < found[0] <= stats.poisson(20).ppf(0.025)


@pytest.mark.parametrize("kind", ["share", "rate"])
@pytest.mark.parametrize(("tail", "region"), [(0.025, (BEYOND_95, BEYOND_998)), (0.001, (BEYOND_998,))])
@pytest.mark.parametrize("n", [1, 5, 9, 20, 57, 200])
@pytest.mark.parametrize("target", [0.04, 0.3, 0.6, 0.97])
def test_beyond_a_limit_is_what_chance_does_no_more_often_than_the_tail_says(n, target, tail, region, kind):
    # Binomial and Poisson tails from scipy. Nine of nine at 60 %, chance 1 in 100, is not beyond 99.8 %.
    counts = np.arange(n + 1 if kind == "share" else 3 * n + 10)
    law = stats.binom(n, target) if kind == "share" else stats.poisson(n * target)
    table = funnel(sites(counts, n), kind, target=target).table
    beyond = table["region"].isin(region).to_numpy()
    assert beyond.tolist() == ((law.cdf(counts) <= tail) | (law.sf(counts - 1) <= tail)).tolist()


def sites(numerator, denominator):
    names = [f"site {i:02d}" for i in range(len(numerator))]
    return pd.DataFrame(
        {"site": names, "numerator": numerator, "denominator": np.broadcast_to(denominator, len(names))}
    )


def test_regions():
    found = funnel(sites([70, 59, 54, 85], 100), target=0.7)
    assert found.table["region"].tolist() == [WITHIN, BEYOND_95, BEYOND_998, BEYOND_998]


def test_sites_stay_in_the_order_given_and_empty_ones_are_left_out():
    table = sites([30, 10, 0], [60, 60, 0])
    assert funnel(table).table["site"].tolist() == ["site 00", "site 01"]
    with pytest.raises(ModelError, match="No site has a denominator"):
        funnel(sites([0], 0))


def test_limits_widened_for_over_dispersion_by_hand():
    """160, 200 and 240 of 400 about 50 %: z of -4, 0 and 4, the ends pulled in to the 10 and 90 % quantiles, -3.2 and 3.2.
    Of three normal values chance leaves 2 (0.64 e11 + 0.32 e12 + 0.04 e22) + e22 of the sum of squares, where e11 = 1 +
    sqrt(3) / 2 pi, e12 = sqrt(3) / 2 pi and e22 = 1 - sqrt(3) / pi are the mean products of their order statistics: 2.2938. So
    a dispersion of 2 x 3.2^2 / 2.2938 = 8.928. Spiegelhalter, Stat Med 2005;24:1185, A.3: the variance between is (3 - 1)
    (8.928 - 1) over the sum of the weights less that of their squares over it, 4800 - 1600: 0.004955; with 0.000625 within
    0.0747 squared."""
    found = funnel(sites([160, 200, 240], 400), target=0.5)
    assert found.over_dispersed
    assert found.dispersion == pytest.approx(2 * 3.2**2 / 2.2938, rel=0.002)
    assert found.p_value < 0.001
    assert found.between_sites == pytest.approx(0.004955**0.5, rel=0.002)
    for name, z in (("95", 1.959964), ("998", 3.090232)):
        limits = found.table.loc[0, [f"wide_lower_{name}", f"wide_upper_{name}"]].tolist()
        assert limits == pytest.approx([0.5 - 0.0747 * z, 0.5 + 0.0747 * z], abs=2e-4)
    assert found.table["wide_region"].tolist() == [WITHIN] * 3
    assert found.table["region"].tolist() == [BEYOND_998, WITHIN, BEYOND_998]
    assert "the limits were widened" in found.notes[-1]


def test_without_over_dispersion_no_variance_between_sites_is_given():
    """180, 200 and 220 of 400 about their own 50 %: z of -2, 0 and 2, ends at 1.6, so a dispersion of 2 x 1.6^2 over the 1.2938
    that chance leaves of three values about their own mean, 3.96; p between 1 and 2 %. 184 and 216: 1.28, 2.53, p 0.08."""
    wide, found = funnel(sites([180, 200, 220], 400)), funnel(sites([184, 200, 216], 400))
    assert [one.dispersion for one in (wide, found)] == pytest.approx([5.12 / 1.2938, 3.2768 / 1.2938], rel=0.002)
    assert wide.over_dispersed
    assert not found.over_dispersed
    assert found.between_sites == 0
    assert found.table["wide_upper_95"].tolist() == found.table["upper_95"].tolist()
    assert "the limits were not widened" in found.notes[-1]


@given(
    counts=st.lists(st.tuples(st.integers(1, 5000), st.floats(0, 1)), min_size=1, max_size=40),
    kind=st.sampled_from(["share", "rate"]),
)
def test_what_is_said_of_dispersion_never_contradicts_itself(counts, kind):
    n, numerator = [size for size, _ in counts], [round(size * part) for size, part in counts]
    found = funnel(sites(numerator, n), kind)
    said = found.notes[-1]
    assert found.over_dispersed == (found.p_value < 0.05)
    assert ("more than chance" in said) == found.over_dispersed
    assert ("No over-dispersion" in said) == (np.isfinite(found.dispersion) and not found.over_dispersed)
    assert not found.over_dispersed or (found.dispersion > 1 and found.between_sites > 0)
    for side, wider in (("lower", -1), ("upper", 1)):
        for name in ("95", "998"):
            assert (wider * (found.table[f"wide_{side}_{name}"] - found.table[f"{side}_{name}"]) >= -1e-12).all()


def test_sites_that_all_lie_to_one_side_of_a_whole_with_others_are_not_called_spread():
    """Ten sites about 66 %, of a whole of 75 % with others that are hidden: which are shown depends on their counts. Limits stay
    about the whole; a target from outside is another matter."""
    shown = sites([130, 132, 134, 131, 133, 128, 136, 132, 130, 134], 200)
    hidden, outside = funnel(shown, target=0.75, among=6000), funnel(shown, target=0.75)
    assert not hidden.over_dispersed
    assert outside.over_dispersed
    assert hidden.target == outside.target == 0.75
    assert hidden.table["upper_95"].tolist() == outside.table["upper_95"].tolist()
    own = funnel(shown)
    assert (hidden.dispersion, hidden.p_value) == pytest.approx((own.dispersion, own.p_value))


def test_one_bad_site_of_many_does_not_widen_the_limits_and_no_test_says_otherwise():
    """20 sites of 200 spread about 60 % as chance spreads them, and one of 50 with 20 %, chi-square of all p < 0.001."""
    usual = np.round(120 + np.sqrt(48) * stats.norm.ppf((np.arange(20) + 0.5) / 20))
    found = funnel(sites([*usual, 10], [200] * 20 + [50]))
    assert not found.over_dispersed
    assert found.table["wide_region"].tolist()[-1] == BEYOND_998
    assert "p < 0.001" not in " ".join(found.notes)


@pytest.mark.slow
def test_chance_alone_is_seldom_called_over_dispersed_and_real_spread_mostly_is():
    rng = np.random.default_rng(11)
    chance = [funnel(sites(rng.binomial(100, 0.6, 30), 100)).over_dispersed for _ in range(200)]
    wide = [funnel(sites(rng.binomial(100, expit(0.4 + 0.5 * rng.normal(size=30))), 100)) for _ in range(40)]
    # 5 % expected of 200: 10 with a standard deviation of 3.1.
    assert sum(chance) <= 20
    assert np.mean([one.over_dispersed for one in wide]) > 0.9
    # 0.5 on the scale of log odds is about 0.5 * 0.24 = 0.12 on the scale of shares.
    assert np.mean([one.between_sites for one in wide]) == pytest.approx(0.12, abs=0.04)
    for one in wide:
        if one.over_dispersed:
            assert (one.table["wide_upper_95"] >= one.table["upper_95"] - 0.01).all()


@pytest.mark.slow
def test_large_sites_that_differ_a_little_are_beyond_the_exact_limits_and_seldom_beyond_the_widened_ones():
    """Sites of about 4,800 whose true shares lie about 60 % with a standard deviation of 2 points, 2.8 times that of chance:
    beyond the exact 99.8 % limits is about every third, 2 P(Z > 3.09 / sqrt(1 + 2.83^2)) = 30 %; beyond the widened ones 0.2 %
    and a little more, since the spread is an estimate of 20 sites. Where they do not differ both lie at 0.2 % or less."""
    rng = np.random.default_rng(12)
    beyond = {}
    for spread in (0.0, 0.02):
        exact, wide, widened = [], [], 0
        for _ in range(120):
            n = rng.integers(4000, 5600, 20)
            found = funnel(sites(rng.binomial(n, np.clip(rng.normal(0.6, spread, 20), 0, 1)), n))
            exact += found.table["region"].eq(BEYOND_998).tolist()
            wide += found.table["wide_region"].eq(BEYOND_998).tolist()
            widened += found.over_dispersed
        beyond[spread] = np.mean(exact), np.mean(wide), widened / 120
    # 2,400 sites a cell: a standard error of 0.1 percentage points at 0.2 %, of 0.9 at 30 %.
    assert beyond[0.0][0] == pytest.approx(0.002, abs=0.003)
    assert beyond[0.0][1] <= beyond[0.0][0]
    assert beyond[0.02][0] == pytest.approx(0.30, abs=0.04)
    assert beyond[0.02][1] < 0.015
    assert beyond[0.02][2] > 0.98


def test_two_sites_are_not_judged_for_over_dispersion():
    found = funnel(sites([20, 80], 100))
    assert not found.over_dispersed
    assert "cannot be judged" in found.notes[-1]


def invent(seed):
    """Invent patients whose sites differ by their age alone."""
    rng = np.random.default_rng(seed)
    n = 1500
    site = rng.integers(0, 12, n)
    age = rng.normal(40, 12, n) + 3 * site
    sex = rng.choice(["female", "male"], n)
    chance = expit(0.3 - 0.06 * (age - 55) + 0.4 * (sex == "male"))
    return pd.DataFrame(
        {
            "site": [f"site {i:02d}" for i in site],
            "age_years": age,
            "sex": sex,
            "outcome": (rng.random(n) < chance) * 1.0,
        }
    )


@pytest.fixture(scope="module")
def patients():
    return invent(1)


def test_expected_agrees_with_statsmodels(patients):
    found = case_mix(patients)
    design = sm.add_constant(
        pd.DataFrame(
            {"age": (patients["age_years"] - patients["age_years"].mean()) / 12, "male": patients["sex"] == "male"}
        )
    ).astype(float)
    fitted = sm.GLM(patients["outcome"], design, family=sm.families.Binomial()).fit().fittedvalues
    expected = fitted.groupby(patients["site"]).sum()
    # Ours has a weak penalty (0.01 on standardised coefficients), worth less than a hundredth of a patient here.
    assert found.table["expected"].to_numpy() == pytest.approx(expected.to_numpy(), abs=0.01)
    assert found.table["expected"].sum() == pytest.approx(patients["outcome"].sum(), abs=1e-6)


@pytest.mark.slow
def test_adjustment_takes_out_the_case_mix(patients):
    # The sites differ by age alone: unadjusted they are over-dispersed, adjusted they are all shrunk to the whole.
    table = patients.groupby("site")["outcome"].agg(numerator="sum", denominator="count").reset_index()
    assert funnel(table).over_dispersed
    found = case_mix(patients)
    assert ((found.table["lower"] <= found.share) & (found.share <= found.table["upper"])).all()
    # The spread between sites is nought; its posterior mean is above that, but small beside the 0.2 of chance.
    spread = [case_mix(invent(seed)).between_sites for seed in range(12)]
    assert np.median(spread) < 0.12
    assert max(spread) < 0.35
    assert set(found.covariates) == {"age_years", "sex"}
    assert found.table["site"].is_monotonic_increasing


def test_missing_covariates_lose_nobody_and_separation_stays_finite(patients):
    holes = patients.assign(
        age_years=patients["age_years"].mask(patients.index % 5 == 0),
        sex=patients["sex"].mask(patients.index % 7 == 0),
        baseline=patients["outcome"] * 10,
    )
    found = case_mix(holes)
    assert found.table["n"].sum() == len(patients)
    assert np.isfinite(found.table["expected"]).all()


def test_the_compared_as_a_whole_reach_what_is_expected_of_them(patients):
    """Those of the last quarters do better than all before, which is no merit of a site."""
    rng = np.random.default_rng(3)
    late = pd.Series(rng.random(len(patients)) < 0.3)
    better = patients.assign(outcome=np.where(late & (rng.random(len(patients)) < 0.5), 1.0, patients["outcome"]))
    table = case_mix(better, compared=late).table
    assert table["n"].sum() == late.sum()
    assert table["observed"].sum() == better.loc[late, "outcome"].sum()
    assert table["expected"].sum() == pytest.approx(better.loc[late, "outcome"].sum(), abs=1e-6)


def test_patients_expected_alike_count_half_in_the_concordance():
    """8 of 10 and 4 of 10: of 12 x 8 pairs 8 x 6 are told right, 4 x 2 wrong, the other 40 not at all."""
    sex = np.repeat(["male", "female"], 10)
    outcome = np.r_[np.arange(10) < 8, np.arange(10) < 4].astype(float)
    found = case_mix(pd.DataFrame({"site": "one", "sex": sex, "outcome": outcome}))
    assert found.concordance == pytest.approx((48 + 20) / 96)


def test_one_site_and_sites_of_three_patients(patients):
    one = case_mix(patients.assign(site="only one"))
    assert one.table["ratio"].tolist() == pytest.approx([1.0])
    rng = np.random.default_rng(9)
    names = np.array(["small"] * 3 + ["large"] * 700 + ["other"] * 797)
    apart = patients.assign(site=names, outcome=(rng.random(1500) < np.where(names == "large", 0.3, 0.7)) * 1.0)
    table = case_mix(apart).table.set_index("site")
    assert table.loc["small", "shrinkage"] > table.loc["large", "shrinkage"]


def test_nobody_or_everybody_with_the_outcome_is_explained(patients):
    with pytest.raises(ModelError, match="Nobody has the outcome, or everybody"):
        case_mix(patients.assign(outcome=1.0))
