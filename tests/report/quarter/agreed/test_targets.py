"""Targets: read from aggregates or a parameter, judged by the interval, drawn with a line of their own, and said in words."""

import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.errors import CohortError, ReportError
from analysis.quarter import read_aggregates
from analysis.quarter.periods import every_period
from analysis.quarter.value_interval import target_verdict
from analysis.report import Figure, Table, quarter

ROWS = {
    # name: kind, role, better, unit, numerator a site and quarter, of 100, target
    "Walking": ("share", "outcome", "higher", "", 70, "0.5"),
    "Stairs": ("share", "outcome", "higher", "", 60, "0.9"),
    "Falls": ("rate", "balancing", "lower", "per 100 patients", 20, "20"),
    "Waiting": ("mean", "process", "lower", "days", 900, "7"),
    "Home visits": ("rate", "process", "higher", "", 150, "1.2"),
    "Age": ("share", "balancing", "neither", "", 50, "0.6"),
    "Untold": ("share", "outcome", "higher", "", 40, ""),
}


def write(folder, rows=ROWS, *, sites=("a", "b", "c"), quarters=14, **more):
    """Write aggregates: each indicator about its level, with a fixed to and fro."""
    table = [
        (name, kind, role, better, unit, period, site, level + (-1) ** q * 2 + s, 100, target)
        for name, (kind, role, better, unit, level, target) in rows.items()
        for q, period in enumerate(every_period(["2022-Q1", "2029-Q4"])[:quarters])
        for s, site in enumerate(sites)
    ]
    columns = ["indicator", "kind", "role", "better", "unit", "period", "site", "numerator", "denominator", "target"]
    pd.DataFrame(table, columns=columns).assign(**more).to_csv(folder / "aggregates.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return quarter.prepare_quarter(write(tmp_path_factory.mktemp("targets")))


def lines_of(section):
    return "\n".join(text for one in section if hasattr(one, "paragraphs") for text in one.paragraphs)


def test_targets_of_aggregates_are_on_the_scale_of_numerator_over_denominator(tmp_path):
    found = {one.name: one.target for one in read_aggregates(write(tmp_path) / "aggregates.csv").indicators}
    assert found["Walking"] == 0.5
    assert found["Falls"] == pytest.approx(0.2)  # 20 per 100 patients
    assert found["Home visits"] == 1.2
    assert np.isnan(found["Untold"])


@pytest.mark.parametrize(
    ("target", "message"),
    [("much", "a target that is no number (line 2"), ("70", "a target of a share that is not from 0 to 1"), ("-0.1", "not from 0 to 1"),
     ("inf", "a target that is no number")],
)  # fmt: skip
def test_targets_that_cannot_be_are_explained(tmp_path, target, message):
    rows = {"Walking": ("share", "outcome", "higher", "", 70, target)}
    with pytest.raises(CohortError) as caught:
        read_aggregates(write(tmp_path, rows) / "aggregates.csv")
    assert message in str(caught.value)


def test_two_targets_of_one_indicator_are_refused(tmp_path):
    file = write(tmp_path, {"Walking": ("share", "outcome", "higher", "", 70, "0.5")}) / "aggregates.csv"
    table = pd.read_csv(file)
    table.loc[3, "target"] = 0.6
    table.to_csv(file, index=False)
    with pytest.raises(CohortError, match="an indicator with two targets"):
        read_aggregates(file)
    table.loc[:, "target"] = np.nan
    table.loc[5, "target"] = 0.6
    table.to_csv(file, index=False)
    assert read_aggregates(file).indicators[0].target == 0.6


def test_each_target_is_judged_by_the_interval_of_the_quarter(study):
    """Q2 2025: 68 + 69 + 70 of 300, 69 %, interval 63.6 to 74.0 %, above 50 %; 59 %, below 90 %; falls 18 + 19 + 20 of 300,
    19.0 per 100 (14.4 to 24.6), about 20; a mean has no interval; 447 home visits of 300, 1.49 (1.35 to 1.63; Garwood), above 1.2."""
    verdicts = {one.indicator.name: one.target for one in study.found.followed}
    assert verdicts == {
        "Walking": "met", "Stairs": "missed", "Falls": "unsure", "Waiting": "unknown", "Home visits": "met", "Age": "none",
        "Untold": "none",
    }  # fmt: skip


def test_targets_are_said_in_short_and_with_each_indicator(study):
    (answer,) = quarter.answer(study)
    said = (
        "Of 5 targets, 1 is missed (Stairs), 2 are met for certain (Walking and Home visits), 1 is neither met nor missed for "
        "certain (Falls) and 1 is not judged (Waiting)."
    )
    assert answer.paragraphs[1].endswith(said)
    assert len(answer.paragraphs[1].split()) <= 80
    changed = lines_of(quarter.changed(study))
    for words in (
        "The target of 50 % is met for certain.", "The target of 90 % is missed.",
        "Whether the target of 20.0 per 100 patients is met is not certain.",
        "Whether the target of 7.00 days is met cannot be said, as a mean has no interval here.",
        "The target of 60 % is not judged, as neither side is better.",
    ):  # fmt: skip
        assert words in changed
    untold = next(line for line in changed.split("\n") if line.startswith("Untold"))
    assert "target" not in untold


def test_the_table_of_indicators_has_targets_only_where_there_are_any(study, tmp_path):
    (table,) = quarter.indicators(study)
    cells = table.cells()
    targets = dict(zip(cells["Indicator"].str.split(r" \(|,").str[0], cells["Target"], strict=True))
    assert targets["Walking"] == "50 %, met for certain"
    assert targets["Stairs"] == "90 %, missed"
    assert targets["Falls"] == "20.0, not certain"
    assert targets["Waiting"] == "7.00, cannot be said"
    assert targets["Age"] == "60 %, not judged"
    assert targets["Untold"] == "–"
    assert any(note.startswith("Target met for certain: the whole interval") for note in table.notes)
    rows = {"Untold": ROWS["Untold"]}
    (bare,) = quarter.indicators(quarter.prepare_quarter(write(tmp_path, rows)))
    assert "Target" not in bare.cells()


def test_the_target_has_a_line_of_its_own_in_charts_and_in_the_funnel(study):
    figures = {one.name: one for part in (quarter.outcomes, quarter.process, quarter.balancing, quarter.sites)
               for one in part(study) if isinstance(one, Figure)}  # fmt: skip
    for name, height in (
        ("chart-Walking", 50),
        ("chart-Falls", 20),
        ("chart-Home-visits", 1.2),
        ("chart-Waiting", 7),
        ("funnel", 50),
    ):
        for width in ("wide", "narrow"):
            (axes,) = figures[name].drawing(width).axes
            (line,) = [one for one in axes.lines if one.get_color() == "#9c3f7e"]
            assert line.get_ydata() == pytest.approx([height] * 2)
            assert any("target" in text.get_text() for text in axes.texts)
            low, high = axes.get_ylim()
            assert low < height < high
    (axes,) = figures["chart-Untold"].drawing().axes
    assert not any("target" in text.get_text() for text in axes.texts)
    assert "The target of 50 % is met for certain." in figures["chart-Walking"].alt
    assert "the target, 20.0 per 100 patients." in figures["chart-Falls"].caption
    assert "The target, 50 %, has a line of its own; limits are about the whole." in figures["funnel"].caption
    assert study.funnel.target == pytest.approx(0.7, abs=0.02)  # the whole: limits do not move to the target


@given(
    better=st.sampled_from(["higher", "lower"]), target=st.floats(0, 1), limits=st.tuples(st.floats(0, 1), st.floats(0, 1)).map(sorted)
)  # fmt: skip
def test_a_target_is_certain_only_where_the_whole_interval_says_so(better, target, limits):
    low, high = limits
    found = target_verdict(target, better, low, high)
    good, bad = (low >= target, high < target) if better == "higher" else (high <= target, low > target)
    assert (found == "met") == good
    assert (found == "missed") == bad
    mirrored = target_verdict(-target, "lower" if better == "higher" else "higher", -high, -low)
    assert mirrored == found


def test_a_parameter_gives_targets_and_takes_the_place_of_those_of_the_file(tmp_path):
    study = quarter.prepare_quarter(write(tmp_path), targets=["Walking: 0.95", "falls: 40"])
    verdicts = {one.indicator.name: one.target for one in study.found.followed}
    assert (verdicts["Walking"], verdicts["Falls"], verdicts["Stairs"]) == ("missed", "met", "missed")


@pytest.mark.parametrize(
    ("targets", "message"),
    [(["Walk: 0.9"], "'Walk: 0.9' names no indicator."), (["0.9"], "'0.9' names no indicator."),
     (["Walking: lots"], "The target 'Walking: lots' has no number."), (["Walking: nan"], "has no number"),
     (["Walking: 70"], "The target 'Walking: 70' is not a share from 0 to 1."), (["Falls: -1"], "is below 0"),
     (["Walking: 0.5", "walking: 0.6"], "Walking is given two targets."), ("Walking: 0.5", "list")],
)  # fmt: skip
def test_targets_of_a_parameter_that_cannot_be_are_explained(tmp_path, targets, message):
    with pytest.raises(ReportError) as caught:
        quarter.prepare_quarter(write(tmp_path), targets=targets)
    assert message in str(caught.value)
    assert caught.value.what_to_do


def test_process_that_is_no_completeness_stands_under_process_with_a_chart_and_a_rate_reads_as_one(study):
    (table,) = quarter.indicators(study)
    groups = dict(zip(table.cells()["Indicator"].str.split(" (", regex=False).str[0], table.groups(), strict=True))
    assert groups["Waiting, in days"] == "Process"
    assert groups["Home visits, per unit of the denominator"] == "Process"
    assert not any(isinstance(one, Table) for one in quarter.completeness(study))
    drawn = [one for one in quarter.process(study) if isinstance(one, Figure)]
    assert [one.name for one in drawn] == ["chart-Waiting", "chart-Home-visits"]
    assert drawn[1].drawing().axes[0].get_ylabel() == "Numerator per unit of the denominator"
    page = lines_of(quarter.changed(study)) + drawn[1].alt
    assert "Home visits: 1.49 per unit of the denominator (447 among 300; 95 % interval 1.36 to 1.63)" in page
    assert not re.search(r"[Mm]ean", drawn[1].alt + drawn[1].caption)


def test_completeness_of_aggregates_stands_under_completeness_and_has_no_chart(tmp_path):
    rows = {"Seen": ("share", "process", "higher", "", 90, ""), "Walking": ROWS["Walking"]}
    study = quarter.prepare_quarter(write(tmp_path, rows, floor=[0.8] * 42 + [np.nan] * 42))
    (table,) = quarter.completeness(study)
    assert table.cells()["Measure"].tolist() == ["Seen"]
    assert list(quarter.process(study)) == []
    (indicators,) = quarter.indicators(study)
    assert [text.split(" (")[0] for text in indicators.cells()["Indicator"]] == ["Walking"]
