"""Indicators counted by hand on a small cohort, aggregates read and refused, and what the charts tell of a quarter."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import CohortError, CohortWarning
from analysis.quarter import (
    Indicator,
    QuarterCounts,
    chart_of,
    quarter_change,
    quarter_indicators,
    read_aggregates,
    release,
)
from analysis.quarter.counts import NO_SITE, check_quarter
from analysis.quarter.periods import every_period, quarter_before, quarter_of


def made_cohort(privacy="limited", **more):
    """Make eight patients in two quarters and two sites, with pain at the start and at week 12."""
    ids = list("abcdefgh")
    quarter = ["2026-Q1"] * 5 + ["2026-Q2"] * 2 + [None]
    site = ["north", "north", "south", "south", None, "north", "south", "south"]
    patients = pd.DataFrame({"patient_id": ids, "protocol": "usual", "site": site, "quarter": quarter})
    before = [8, 8, 8, 8, 8, 8, None, 8]
    after = [2, 7, 3, None, 1, 2, 2, 2]
    visits = pd.DataFrame(
        [
            (name, week, "pain", "none", value)
            for week, values in ((0, before), (12, after))
            for name, value in zip(ids, values, strict=True)
            if value is not None
        ],
        columns=["patient_id", "week", "measure", "limb", "value"],
    )
    sessions = pd.DataFrame(
        {"patient_id": ["a", "b", "c"], "week": 1, "modality": "exercise", "sessions_prescribed": [5, 5, 0],
         "sessions_done": [4, 3, 0]}
    )  # fmt: skip
    events = pd.DataFrame(
        {"patient_id": ["a", "a", "f", "b"], "week": 2, "event": ["skin irritation", "flare", "flare", "withdrawal"]}
    )
    return Cohort(patients, visits, sessions=sessions, events=events, privacy=privacy, **more)


def counted(found, quantity):
    return found.counts.matrix(quantity).to_dict("index")


def test_counts_by_hand():
    found = quarter_indicators(made_cohort(as_of="2026-10-15"), threshold=2.0)
    assert found.week == 12
    assert found.counts.immature == ()
    assert found.counts.follow_up == "Data up to 15 October 2026."
    # h has no quarter; d was not seen; g has no start; e has no site.
    assert counted(found, "started") == {
        "2026-Q1": {"north": 2, "south": 2, NO_SITE: 1},
        "2026-Q2": {"north": 1, "south": 1, NO_SITE: 0},
    }
    assert counted(found, "change known")["2026-Q1"] == {"north": 2, "south": 1, NO_SITE: 1}
    assert counted(found, "improved")["2026-Q1"] == {"north": 1, "south": 1, NO_SITE: 1}
    assert counted(found, "change known")["2026-Q2"] == {"north": 1, "south": 0, NO_SITE: 0}
    assert counted(found, "pain seen")["2026-Q2"] == {"north": 1, "south": 1, NO_SITE: 0}
    assert counted(found, "improvement, summed")["2026-Q1"] == {"north": 7, "south": 5, NO_SITE: 7}
    # 4 of 5 sessions is 80 %; nothing prescribed is not reached; two harms of one patient are two harms.
    assert counted(found, "sessions reached")["2026-Q1"] == {"north": 1, "south": 0, NO_SITE: 0}
    assert counted(found, "harms")["2026-Q1"] == {"north": 2, "south": 0, NO_SITE: 0}
    assert counted(found, "harms")["2026-Q2"] == {"north": 1, "south": 0, NO_SITE: 0}
    for total, parts in found.counts.sums:
        pd.testing.assert_frame_equal(found.counts.matrix(total), sum(found.counts.matrix(part) for part in parts))


def test_patients_not_yet_due_have_no_denominator():
    cohort = made_cohort()
    visits = cohort.visits[~((cohort.visits["week"] == 12) & cohort.visits["patient_id"].isin(["f", "g"]))]
    late = Cohort(cohort.patients, visits, privacy="limited", as_of="2026-08-15")
    found = quarter_indicators(late, threshold=2.0)
    assert found.counts.immature == ("2026-Q2",)
    assert check_quarter(found.counts, None) == "2026-Q1"
    assert counted(found, "due")["2026-Q2"] == {"north": 0, "south": 0, NO_SITE: 0}
    assert found.counts.not_yet["due"] == ("2026-Q2",)
    shown = release(found.counts, "2026-Q2", baseline=["2026-Q1"], window=["2026-Q2"], small_counts="shown")
    improved = found.counts.indicators[0]
    row = shown.by_period(improved).iloc[1]
    assert row["not_yet"]
    assert np.isnan(row["value"])
    assert quarter_change(shown, chart_of(shown, improved)).verdict == "not yet due"


def test_a_quarter_whose_patients_are_not_yet_due_has_no_point():
    """Some of them came early: 44 of 100 is not the share of that quarter."""
    rows = [(name, f"2026-Q{q}", "a", n) for q in (1, 2, 3, 4) for name, n in (("seen", 100), ("better", 40 + q))]
    one = Indicator("better", "Better", "share", "outcome", "higher", "better", "seen", "better", "seen")
    table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    counts = QuarterCounts((one,), table, not_yet={"seen": ("2026-Q4",)})
    shown = release(counts, "2026-Q4", baseline=["2026-Q1"], window=["2026-Q4"])
    chart = chart_of(shown, one)
    assert chart.points["value"].tolist() == pytest.approx([0.41, 0.42, 0.43, np.nan], nan_ok=True)
    assert chart.why.startswith("Only 3 points can be shown")
    assert quarter_change(shown, chart).verdict == "not yet due"


def charted(kind, denominators, n_baseline):
    """The chart of an indicator over the quarters from 2022 on, half of each denominator; a mean has no rest."""
    periods = every_period(["2022-Q1", "2026-Q4"])[: len(denominators)]
    rows = [
        (name, period, "a", value)
        for period, n in zip(periods, denominators, strict=True)
        for name, value in (("seen", n), ("better", n / 2))
    ]
    one = Indicator("better", "Better", kind, "outcome", "higher", "better", "seen", "better", "seen")
    table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    counts = QuarterCounts((one,), table, not_counts=frozenset({"better"} if kind == "mean" else ()))
    return chart_of(release(counts, periods[-1], baseline=periods[:n_baseline], window=periods[-4:]), one)


def test_a_control_chart_needs_twelve_points_in_its_baseline_too():
    assert charted("share", [100] * 14, 12).why == ""
    assert charted("share", [100] * 14, 11).why.startswith("The baseline holds 11 points; control limits need 12")
    # limits of means come from the points of the baseline, of which one is missing here; those of shares from its total
    assert charted("mean", [100] * 14, 12).why == ""
    assert charted("mean", [100] * 5 + [0] + [100] * 9, 12).why.startswith("The baseline holds 11 points")
    assert charted("share", [100] * 5 + [0] + [100] * 9, 12).why == ""


def test_only_a_rate_is_shown_per_so_many(tmp_path):
    file = tmp_path / "aggregates.csv"
    file.write_text(
        "indicator,kind,unit,period,numerator,denominator\n"
        "Falls,rate,per 100 patients,2026-Q1,3,200\nGain,mean,per 100 steps,2026-Q1,350.5,200\n"
    )
    assert [(one.kind, one.per) for one in read_aggregates(file).indicators] == [("rate", 100), ("mean", 1)]


def test_a_cohort_without_quarters_says_why():
    cohort = made_cohort()
    bare = Cohort(cohort.patients.drop(columns="quarter"), cohort.visits)
    with pytest.raises(CohortError) as caught:
        quarter_indicators(bare)
    assert "does not say in which quarter" in caught.value.what
    assert "safe-harbor" in caught.value.where
    assert "164.514(b)(2)(i)(C)" in caught.value.what_to_do
    assert "aggregates.csv" in caught.value.what_to_do
    with pytest.raises(CohortError, match="holds quarters but is not marked as a limited data set"):
        quarter_indicators(made_cohort(privacy="safe-harbor"))


def test_nothing_measured_is_explained():
    cohort = made_cohort()
    with pytest.raises(CohortError, match="holds no measured value"):
        quarter_indicators(Cohort(cohort.patients, cohort.visits.iloc[:0], privacy="limited"))
    with pytest.raises(CohortError, match="after the start"):
        quarter_indicators(Cohort(cohort.patients, cohort.visits[cohort.visits["week"] == 0], privacy="limited"))
    with pytest.raises(CohortError, match="Nobody has Pain at week 26"):
        quarter_indicators(cohort, week=26)


def test_a_quarter_without_data_is_refused():
    counts = quarter_indicators(made_cohort(as_of="2026-10-15"), threshold=2.0).counts
    assert check_quarter(counts, None) == "2026-Q2"
    with pytest.raises(CohortError, match="There are no data in the quarter 2025-Q4"):
        check_quarter(counts, "2025-Q4")
    with pytest.raises(CohortError, match="'last' is not a period"):
        check_quarter(counts, "last")


def test_periods():
    assert every_period(["2025-11", "2026-02"]) == ["2025-11", "2025-12", "2026-01", "2026-02"]
    assert quarter_of("2026-12") == "2026-Q4"
    assert quarter_before("2026-Q1") == "2025-Q4"
    with pytest.raises(CohortError, match="Quarters and months are mixed"):
        every_period(["2026-Q1", "2026-01"])


def write(tmp_path, text):
    path = tmp_path / "aggregates.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_aggregates_by_month_are_summed_to_quarters(tmp_path):
    rows = [f"Extension,2026-0{month},{site},{20 + month},{40 + month}" for month in (1, 2, 3) for site in ("a", "b")]
    counts = read_aggregates(write(tmp_path, "indicator,period,site,numerator,denominator\n" + "\n".join(rows)))
    assert counts.by_month
    assert counts.quarters == ["2026-Q1"]
    shown = release(counts, "2026-Q1", baseline=counts.periods, window=counts.periods)
    found = shown.of(counts.indicators[0], ["2026-Q1"]).iloc[0]
    # (21 + 22 + 23) * 2 of (41 + 42 + 43) * 2
    assert (found["numerator"], found["denominator"]) == (132, 252)


def test_a_rate_is_shown_per_what_its_unit_says(tmp_path):
    text = "indicator,kind,unit,period,numerator,denominator\nHarms,rate,per 100 patients,2026-Q1,20,40\n"
    assert read_aggregates(write(tmp_path, text)).indicators[0].per == 100


def test_equal_denominators_are_one_quantity(tmp_path):
    text = "indicator,period,numerator,denominator\nA,2026-Q1,20,40\nB,2026-Q1,30,40\nC,2026-Q1,30,41\n"
    a, b, c = read_aggregates(write(tmp_path, text)).indicators
    assert a.denominator == b.denominator != c.denominator


def test_one_site_in_two_spellings_is_said(tmp_path):
    text = "indicator,period,site,numerator,denominator\nA,2026-Q1,Clinic 1,1,2\nA,2026-Q2,clinic 1 ,1,2\n"
    with pytest.warns(CohortWarning, match="count as one: 'Clinic 1', 'clinic 1 '"):
        counts = read_aggregates(write(tmp_path, text))
    assert counts.sites == ["Clinic 1"]


@pytest.mark.filterwarnings("ignore:aggregates")
@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("indicator,period\nA,2026-Q1\n", "lack numerator, denominator"),
        ("indicator,period,numerator,denominator\n", "hold no row"),
        ("", "cannot be read"),
        ("indicator,period,numerator,denominator\nA,2026-Q5,1,2\n", "'2026-Q5' is not a period"),
        ("indicator,period,numerator,denominator\nA,2026-Q1,3,2\n", r"a numerator above its denominator \(line 2\)"),
        ("indicator,period,numerator,denominator\nA,2026-Q1,-3,2\n", r"negative or not whole \(line 2\)"),
        ("indicator,period,numerator,denominator\nA,2026-Q1,1.5,2\n", r"negative or not whole \(line 2\)"),
        ("indicator,period,numerator,denominator\nA,2026-Q1,few,2\n", r"no number in numerator or denominator"),
        ("indicator,period,numerator,denominator\nA,2026-Q1,1,2\nA,2026-Q1,1,2\n", r"are there already \(line 3\)"),
        ("indicator,period,site,numerator,denominator\nA,2026-Q1,,1,2\nA,2026-Q1,b,1,2\n", "with and without a site"),
        (
            "indicator,period,kind,numerator,denominator\nA,2026-Q1,odds,1,2\n",
            "kind is 'odds' and should be one of share, rate, mean .line 2",
        ),
        (
            "indicator,period,role,numerator,denominator\nA,2026-Q1,,1,2\nB,2026-Q1,structure,1,2\n",
            "role is 'structure' and should be one of outcome, process, balancing .line 3",
        ),
        (
            "indicator,period,better,numerator,denominator\nA,2026-Q1,more,1,2\n",
            "better is 'more' and should be one of higher, lower, neither .line 2",
        ),
        (
            "indicator,period,site,numerator,denominator\nA,2026-Q1,Clinic 1,1,2\nA,2026-Q1,Clinic_1,1,2\n",
            "differ by signs only: 'Clinic 1' and 'Clinic_1'",
        ),
        (
            "indicator,period,site,numerator,denominator\nA,2026-Q1,Clinic 1,1,2\nA,2026-Q1,clinic 1,1,2\n",
            r"are there already \(line 3\)",
        ),
    ],
)
def test_bad_aggregates_are_explained(tmp_path, text, message):
    with pytest.raises(CohortError, match=message):
        read_aggregates(write(tmp_path, text))


SHARE = Indicator("better", "Better", "share", "outcome", "higher", "better", "seen", "better", "seen")


def share_by_quarter(shares, n=200):
    periods = every_period(["2020-Q1", "2029-Q4"])[: len(shares)]
    rows = [
        (name, p, "a", v)
        for p, s in zip(periods, shares, strict=True)
        for name, v in (("better", round(n * s)), ("seen", n))
    ]
    rows += [("not better", p, "a", n - round(n * s)) for p, s in zip(periods, shares, strict=True)]
    table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    counts = QuarterCounts((SHARE,), table, (("seen", ("better", "not better")),))
    shown = release(counts, periods[-1], baseline=periods[:12], window=periods[-4:])
    return shown, chart_of(shown, SHARE)


def change(shares):
    return quarter_change(*share_by_quarter(shares))


STEADY = [0.50, 0.52, 0.48, 0.51, 0.49, 0.50, 0.53, 0.47, 0.50, 0.52, 0.49, 0.51, 0.50]


def test_a_difference_within_the_limits_is_no_signal():
    found = change([*STEADY, 0.55])
    assert (found.verdict, found.rules, found.way, found.direction, found.since) == ("no signal", (), "", "", "")


def test_a_point_beyond_the_limits_is_a_signal_with_its_side():
    # Three standard deviations at 200 patients and 50 % are 10.6 percentage points.
    assert change([*STEADY, 0.62]).direction == "better"
    found = change([*STEADY, 0.38])
    assert (found.verdict, found.rules, found.way, found.direction) == ("signal", ("outside",), "lower", "worse")
    assert found.since == "2023-Q2"


def test_an_old_signal_is_no_news_of_this_quarter():
    assert change([*STEADY[:8], 0.7, *STEADY[:8]]).verdict == "no signal"


def test_a_shift_has_its_beginning_also_across_a_point_on_the_line():
    found = change([*[0.48, 0.52] * 6, *[0.53] * 4, 0.5, *[0.54] * 4])
    assert ("shift" in found.rules, found.way, found.direction) == (True, "higher", "better")
    assert found.since == "2022-Q4"  # the last quarter of the baseline lies above the line too
    assert change([*[0.52, 0.48] * 6, 0.5, *[0.53] * 8]).since == "2023-Q2"  # a point on the line begins nothing


def test_neighbouring_signals_of_one_side_began_with_the_first():
    assert change([*STEADY, 0.62, 0.63]).since == "2023-Q2"
    assert change([*STEADY, 0.38, 0.62]).since == "2023-Q3"


def test_a_trend_below_the_line_rises():
    """Six points in a row rise, all below the centre line: a rise is no lower level."""
    found = change([*[0.52, 0.48] * 8, 0.45, 0.46, 0.47, 0.48, 0.49, 0.495])
    assert (found.rules, found.way, found.direction, found.since) == (("trend",), "rising", "better", "2024-Q1")
    falling = change([*[0.48, 0.52] * 8, 0.55, 0.54, 0.53, 0.52, 0.51, 0.505])
    assert (falling.way, falling.direction) == ("falling", "worse")


def test_points_that_hug_the_line_are_neither_better_nor_worse():
    found = change([0.5, 0.51, 0.5, 0.49] * 4)
    assert (found.verdict, found.rules, found.way, found.direction) == ("signal", ("hugging",), "steadier", "")


def test_fewer_than_twelve_points_fall_back_to_a_run_chart_and_say_so():
    _, chart = share_by_quarter([0.5, 0.6] * 5)
    assert type(chart.chart).__name__ == "RunChart"
    assert chart.why == "Only 10 points can be shown; control limits need 12, so this is a run chart."
    rising = change([0.5, 0.4, 0.5, 0.45, 0.48, 0.52, 0.56, 0.60])
    assert (rising.rules, rising.way, rising.since) == (("trend",), "rising", "2020-Q4")
    assert change([0.5, 0.6] * 4).verdict == "no signal"
    assert change([0.5, 0.6, 0.5]).verdict == "too early"


def test_exactly_twelve_points_make_a_control_chart():
    assert type(share_by_quarter(STEADY[:12])[1].chart).__name__ == "ControlChart"
    assert type(share_by_quarter(STEADY[:11])[1].chart).__name__ == "RunChart"


def test_hidden_periods_have_no_point_and_count_for_nothing():
    shown, chart = share_by_quarter([*STEADY, 0.98])
    # 4 of 200 did not improve: small, so the share must not be shown.
    assert shown.by_period(SHARE)["hidden"].iloc[-1]
    assert np.isnan(chart.chart.table["value"].iloc[-1])
    assert change([*STEADY, 0.98]).verdict == "hidden"
