"""Lines and rules of charts are those of all periods, hidden ones included, and of a baseline that is stored."""

import numpy as np
import pandas as pd
import pytest

from analysis.quarter import Indicator, QuarterCounts, chart_of, quarter_change, release
from analysis.quarter.over_time.charts import stored_line
from analysis.quarter.periods import every_period

ONE = Indicator("events", "Events", "rate", "balancing", "lower", "events", "patients", "events", "patients")


def counts_of(events, n=200, kind=ONE):
    periods = every_period(["2022-Q1", "2029-Q4"])[: len(events)]
    rows = [
        (name, period, "a", value)
        for period, found in zip(periods, events, strict=True)
        for name, value in (("events", found), ("patients", n))
    ]
    return QuarterCounts((kind,), pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])), periods


#: About one in twenty of 200 has an event, so that about half of the quarters are hidden.
EVENTS = [9, 12, 8, 11, 10, 13, 7, 9, 12, 8, 11, 10]


@pytest.mark.parametrize("n_baseline", [8, 12])
def test_the_line_is_not_that_of_the_quarters_with_many_events(n_baseline):
    counts, periods = counts_of(EVENTS)
    shown = release(counts, periods[-1], baseline=periods[:n_baseline], window=periods[-4:])
    points = shown.by_period(ONE)
    known = points["value"].dropna()
    assert points["hidden"].sum() >= 4
    chart = chart_of(shown, ONE, counts=counts).chart
    whole = sum(EVENTS[:n_baseline]) / (200 * n_baseline)
    assert chart.table["centre"].iloc[0] == pytest.approx(whole)
    assert known.median() > whole + 0.005
    assert chart.table.loc[points["hidden"], ["numerator", "value"]].isna().all(axis=None)
    assert (chart.table.loc[points["hidden"], "rules"] == "").all()


def test_a_chart_of_which_hardly_anything_can_be_shown_is_not_drawn():
    counts, periods = counts_of([9, 8, 7, 9, 12, 8, 9, 11])
    shown = release(counts, periods[-1], baseline=periods, window=periods[-4:])
    assert shown.by_period(ONE)["value"].notna().sum() < 3
    found = chart_of(shown, ONE, counts=counts)
    assert found.chart is None
    assert "can be shown; too few for a chart" in found.why


def test_a_shift_is_not_made_by_hiding_what_is_low():
    """The six shown quarters all lie above the line of all: among themselves they would be a shift, and are none."""
    events = [12, 8, 12, 8, 12, 8, 12, 8, 12, 8, 12]
    counts, periods = counts_of(events)
    shown = release(counts, periods[-1], baseline=periods, window=periods[-4:])
    chart = chart_of(shown, ONE, counts=counts)
    assert (chart.points["value"].dropna() > chart.chart.table["centre"].iloc[0]).all()
    assert chart.signals == []


def test_a_shift_through_hidden_quarters_is_told():
    events = [22] * 12 + [9, 12, 9, 12, 9, 12, 9, 12]
    counts, periods = counts_of(events)
    shown = release(counts, periods[-1], baseline=periods[:12], window=periods[-4:])
    change = quarter_change(shown, chart_of(shown, ONE, counts=counts))
    assert (change.verdict, change.way, change.direction) == ("signal", "lower", "better")


def test_a_rule_that_would_tell_a_hidden_count_is_not_applied_to_it():
    """Of 11 patients nine or ten events alone lie above a line at 0.8."""
    kind = Indicator("seen", "Seen", "rate", "outcome", "higher", "events", "patients", "events", "patients")
    events = [100] * 12 + [101, 99] * 2
    counts, periods = counts_of(events, n=120, kind=kind)
    rows = counts.table
    rows.loc[(rows["period"] == periods[-2]), "value"] = [10, 11]
    shown = release(counts, periods[-1], baseline=periods[:12], window=periods[-4:])
    assert shown.by_period(kind)["hidden"].iloc[-2]
    with_all, with_shown = chart_of(shown, kind, counts=counts), chart_of(shown, kind)
    assert with_all.chart.table["rules"].tolist() == with_shown.chart.table["rules"].tolist()


def test_a_stored_line_stays_where_late_data_change_the_baseline():
    counts, periods = counts_of([30, 34, 29, 33, 31, 30, 35, 28, 32, 31, 30, 33, 31])
    shown = release(counts, periods[-1], baseline=periods[:12], window=periods[-4:])
    line = stored_line(chart_of(shown, ONE, counts=counts))
    assert line["centre"] == pytest.approx(376 / 2400)
    mean = Indicator("gain", "Gain", "mean", "outcome", "higher", "events", "patients", "gain", "patients")
    rows = counts.table.assign(value=counts.table["value"] + np.where(counts.table["period"] == periods[0], 40, 0))
    later = QuarterCounts((mean,), rows, not_counts=frozenset({"events"}))
    again = release(later, periods[-1], baseline=periods[:12], window=periods[-4:])
    first = stored_line(chart_of(release(QuarterCounts((mean,), counts.table, not_counts=frozenset({"events"})), periods[-1],
                                         baseline=periods[:12], window=periods[-4:]), mean))  # fmt: skip
    kept = chart_of(again, mean, line=first).chart.table
    assert kept["centre"].iloc[0] == pytest.approx(first["centre"])
    assert chart_of(again, mean).chart.table["centre"].iloc[0] != pytest.approx(first["centre"])
    assert kept["sigma"].iloc[0] == pytest.approx(first["mean_range"] / 1.128)
