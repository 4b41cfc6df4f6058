"""Signals of a release: limits follow the number of charts, the baseline is an estimate, and rules alone are worth a look."""

import pandas as pd
import pytest

from analysis.quarter import Indicator, QuarterCounts, chart_of, release
from analysis.quarter.over_time.against_baseline import departures
from analysis.quarter.over_time.release_changes import release_changes
from analysis.quarter.periods import every_period
from analysis.statistics.two_counts import two_counts

STEADY = [60, 63, 58, 61, 57, 62, 59, 60, 64, 56, 61, 59]


def judged(counts, *, copies=1, kind="share", n=100, small_counts="shown"):
    """Judge a series of numerators of ``n`` and further copies of the steady one."""
    periods = every_period(["2022-Q1", "2029-Q4"])[: len(counts)]
    steady = (STEADY * 3)[: len(counts)]
    names = ["main", *(f"copy {k}" for k in range(copies - 1))]
    indicators = tuple(Indicator(one, one, kind, "outcome", "higher", one, "n", one, "n") for one in names)
    rows = [("n", period, "a", n) for period in periods]
    for name in names:
        rows += [
            (name, period, "a", x) for period, x in zip(periods, counts if name == "main" else steady, strict=True)
        ]
    table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    whole = QuarterCounts(indicators, table)
    shown = release(whole, periods[-1], baseline=periods[:12], window=periods[-4:], small_counts=small_counts)
    charts = {one.name: chart_of(shown, one, counts=whole) for one in indicators}
    return shown, charts, release_changes(shown, charts)


def test_a_quarter_is_held_against_the_baseline_without_itself():
    """The sums of the baseline are 720 of 1,200; of the twelfth quarter those of the eleven others."""
    shown, charts, _ = judged([*STEADY, 80])
    found = departures(shown, charts["main"], ["2025-Q1", "2024-Q4"])
    by_span = {one.quarters: one for one in found["2025-Q1"]}
    assert by_span[1].p_value == pytest.approx(two_counts("share", (80, 100), (720, 1200)))
    assert by_span[2].p_value == pytest.approx(two_counts("share", (139, 200), (661, 1100)))
    assert (by_span[1].way, by_span[2].since) == ("higher", "2024-Q4")
    assert found["2024-Q4"][0].p_value == pytest.approx(two_counts("share", (59, 100), (661, 1100)))


def test_limits_follow_the_number_of_charts():
    """77 of 100 against 60 %: p 0.0008, a signal of one chart (up to 0.02 / 4) and none of ten (up to 0.02 / 40)."""
    alone, among = (judged([*STEADY, 77], copies=n)[2]["main"] for n in (1, 10))
    assert (alone.verdict, alone.rules, alone.way, alone.direction, alone.since) == (
        "signal", ("one quarter",), "higher", "better", "2025-Q1",
    )  # fmt: skip
    assert (among.verdict, among.way, among.rules) == ("no signal", "", ())
    assert among.look == ("outside",)


def test_small_lasting_changes_are_signals_of_several_quarters():
    found = judged([*STEADY, *[67, 68, 66, 69, 67, 68, 66, 69]])[2]["main"]
    assert (found.verdict, found.rules, found.since) == ("signal", ("eight quarters",), "2025-Q1")


def test_a_signal_of_the_year_before_is_told_and_is_none_now():
    found = judged([*STEADY, *[60] * 4, 90, 58, 57, 50])[2]["main"]
    assert (found.verdict, found.way, found.recent[0]) == ("no signal", "", ("2026-Q1", "higher"))


def test_hidden_quarters_are_in_no_comparison():
    shown, charts, _ = judged([*STEADY, 60, 5, 62], small_counts="hidden")
    assert shown.by_period(charts["main"].indicator)["hidden"].iloc[-2]
    assert [one.quarters for one in departures(shown, charts["main"], ["2025-Q3"])["2025-Q3"]] == [1]


def test_of_a_quarter_that_is_compared_with_nothing_no_lack_of_change_is_said():
    """A run chart of nine points whose last but one is hidden: the quarter alone is not compared, nor with those before."""
    shown, charts, found = judged([60, 61, 59, 60, 62, 58, 60, 5, 61], small_counts="hidden")
    assert departures(shown, charts["main"], ["2024-Q1"]) == {"2024-Q1": []}
    assert found["main"].verdict == "too early"


def test_where_quarters_differ_by_more_than_chance_their_spread_counts():
    """Quarters 15 points off in turn: 80 of 100 is no signal, as it would be about a steady baseline."""
    assert judged([*STEADY, 80])[2]["main"].verdict == "signal"
    assert judged([*[45, 75] * 6, 80])[2]["main"].verdict == "no signal"


def test_a_run_chart_judges_no_quarter_alone():
    found = judged([60, 61, 59, 60, 62, 58, 60, 95])
    assert [one.quarters for one in departures(found[0], found[1]["main"], ["2023-Q4"])["2023-Q4"]] == [2, 4]
    assert judged([60, 61, 59])[2]["main"].verdict == "too early"
