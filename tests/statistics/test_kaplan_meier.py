"""Medians of Kaplan-Meier curves as R takes them."""

import numpy as np
import pandas as pd
import pytest

from analysis.statistics.kaplan_meier import curves_by_protocol, log_rank, median_times, share_differences

# R 4.2.2, survival 3.5-3; weeks with + are censored:
# quantile(survfit(Surv(week, happened) ~ 1, conf.type = "log-log", conf.int = level), 0.5)
R_MEDIANS = {
    # at one half from 6 on: to the next fall, or to the end of follow-up
    ("6 6 52 52", 0.95): (29, 6, np.nan),
    ("6 6 52+ 52+", 0.95): (29, 6, np.nan),
    ("6 6 20+ 52", 0.95): (29, 6, np.nan),
    ("3 5 8 13 21", 0.95): (8, 3, np.nan),
    ("4 4 4 9 9 30", 0.95): (6.5, 4, np.nan),
    # never down to one half
    ("2 3+ 5 5+ 7+ 12+", 0.95): (np.nan, 2, np.nan),
    ("4+ 5+ 9 30+ 30+", 0.95): (np.nan, 9, np.nan),
    ("7+", 0.95): (np.nan, np.nan, np.nan),
    # all at once: no limits
    ("3 3 3", 0.95): (3, np.nan, np.nan),
    ("8", 0.95): (8, np.nan, np.nan),
    # one half but for rounding
    ("1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20", 0.95): (10.5, 5, 15),
    # ties and censoring
    ("2 2 4 6+ 6 8 8+ 10 12+ 12 15 18+ 26 26+ 39 52+", 0.95): (15, 6, 39),
    ("1 1 2 2+ 3 3 5+ 6 8+ 9 11 13+ 17 20 22+ 30+", 0.95): (11, 3, 20),
    ("1 3 4+ 6 6 6+ 9 12 12+ 26 26+ 26+ 52+ 52+", 0.95): (26, 6, np.nan),
    ("2 4 6 8 8 10+ 11 13 13+ 15 17+ 20 24+ 24+ 30", 0.95): (15, 6, np.nan),
    # levels at which a limit of the curve is one half between two weeks: 4 and 6, 14 and 16
    ("2 4 6 8 10 12 14 16 18 20", 0.89030980632285051): (11, 5, 16),
    ("2 4 6 8 10 12 14 16 18 20", 0.83123605035465564): (11, 6, 15),
}


@pytest.mark.parametrize(("weeks", "level"), list(R_MEDIANS))
def test_medians_and_limits_as_survfit_has_them(weeks, level):
    marks = weeks.split()
    patients = pd.DataFrame(
        {
            "protocol": "usual",
            "week": [float(mark.strip("+")) for mark in marks],
            "stopped": [not mark.endswith("+") for mark in marks],
        }
    )
    row = median_times(patients, curves_by_protocol(patients, "week", "stopped"), "stopped", level).iloc[0]
    found = row[["median_week", "lower", "upper"]].astype(float).tolist()
    assert found == pytest.approx(R_MEDIANS[weeks, level], abs=1e-9, nan_ok=True)


@pytest.mark.parametrize(
    ("first", "second", "lower", "upper"),
    [
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((5, 56), (0, 29), -0.0381, 0.1926),
        ((10, 10), (0, 20), 0.6791, 1.0),
    ],
)
def test_differences_with_everybody_followed_are_those_of_counts(first, second, lower, upper):
    """Newcombe, Stat Med 1998;17:873, Table II, method 10: without censoring Greenwood's error is the binomial one."""
    groups = {"early": first, "usual": second}
    rows = [(name, 1.0 + (k >= yes), k < yes) for name, (yes, n) in groups.items() for k in range(n)]
    patients = pd.DataFrame(rows, columns=["protocol", "week", "stopped"])
    found = share_differences(curves_by_protocol(patients, "week", "stopped"), "usual", 0.95).set_index("week")
    assert found.loc[1.0, ["lower", "upper"]].tolist() == pytest.approx([lower, upper], abs=5e-5)


def test_differences_stay_within_what_is_possible():
    """All of one group early, one of the other late: 1 less 0.2, beyond which plain limits of Greenwood would reach."""
    patients = pd.DataFrame(
        {"protocol": ["early"] * 4 + ["usual"] * 5, "week": [1.0, 1, 2, 3, 3, 4, 4, 4, 4], "stopped": [1] * 5 + [0] * 4}
    )
    found = share_differences(curves_by_protocol(patients, "week", "stopped"), "usual", 0.95)
    assert found[["lower", "upper"]].abs().le(1).all(axis=None)
    assert (found["lower"] <= found["difference"]).all()
    assert (found["upper"] >= found["difference"]).all()


# R 4.2.2, survival 3.5-3: survdiff(Surv(week, happened) ~ protocol), chisq and groups with expected events, less one
R_LOG_RANK = {
    ("2 3 3 5 8 8+ 13", "1 2 4 4+ 9 21 26+", "6 7+ 11 12 12 30 30+"): (3.4739344650, 2, 0.1760535212),
    # followed for a shorter time than it took to the first event of anybody: no part of the test
    ("4 6 6+ 9 12+ 15", "2+ 3+", "5 7 7 8+ 10 20"): (0.0202159513, 1, 0.8869356100),
    ("1 2 2+", "9 9", "9 9 9"): (4.0909090909, 2, 0.1293213942),
    # far out, where one less the distribution is 0
    (" ".join(map(str, range(1, 61))), " ".join(["70+"] * 60)): (145.9119325315, 1, 1.357044292e-33),
}


def patients_of(groups):
    rows = [
        (name, float(mark.strip("+")), not mark.endswith("+"))
        for name, marks in zip("abc", groups, strict=False)
        for mark in marks.split()
    ]
    return pd.DataFrame(rows, columns=["protocol", "week", "stopped"])


@pytest.mark.parametrize("groups", list(R_LOG_RANK))
def test_log_rank_as_survdiff_has_it(groups):
    row = log_rank(patients_of(groups), "week", "stopped").iloc[0]
    statistic, df, p_value = R_LOG_RANK[groups]
    assert row["statistic"] == pytest.approx(statistic, abs=1e-9)
    assert row["df"] == df
    assert row["p_value"] == pytest.approx(p_value, rel=1e-8, abs=0)


@pytest.mark.parametrize("groups", [("4 6 6+", "2+ 3+"), ("3", "1+"), ("3 3", "3 3 3"), ("9 9", "9 9 9", "4+ 4+")])
def test_no_log_rank_where_only_one_group_is_left_or_all_leave_at_once(groups):
    """survdiff: chi-square 0 on 0 df for the first two, a singular matrix for the others."""
    assert log_rank(patients_of(groups), "week", "stopped").empty
