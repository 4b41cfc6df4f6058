"""Figures of a quarter: their sentences state numbers, and what is hidden is neither drawn nor said."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.transforms import Bbox

from analysis.quarter import Indicator, QuarterCounts, case_mix, chart_of, funnel, release
from analysis.quarter.periods import every_period
from analysis.report.figures.quarters.control_chart_figure import control_chart_figure
from analysis.report.figures.quarters.free_places import name_marks
from analysis.report.figures.quarters.funnel_figure import case_mix_figure, funnel_figure
from analysis.report.parts.look import new_drawing

SHARE = Indicator("better", "Better by week 26", "share", "outcome", "higher", "better", "seen", "better", "seen")
HIDDEN_AT = 4
WORDS = {"span": "Q1 2026", "caption": "Each mark is a site.", "told": "Funnel of sites."}


def released(n_periods, n_sites=1):
    """Release shares of 50 % of 200 patients; in one period 3 of 200, and one site has 3 of 40."""
    periods = every_period(["2020-Q1", "2029-Q4"])[:n_periods]
    rows = []
    for number, period in enumerate(periods):
        for site in range(n_sites):
            seen = 200 // n_sites
            better = 3 if number == HIDDEN_AT else seen // 2 + (number + site) % 3
            parts = {"better": better, "seen": seen, "not better": seen - better}
            rows += [(name, period, f"site {site:02d}", value) for name, value in parts.items()]
    table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    counts = QuarterCounts((SHARE,), table, (("seen", ("better", "not better")),))
    return release(counts, periods[-1], baseline=periods[:12], window=periods[-4:])


def test_a_control_chart_states_its_numbers_and_leaves_out_the_hidden_period(drawn):
    figure = control_chart_figure(chart_of(released(16), SHARE), changes=[("2022-Q1", "new garment")])
    assert figure.alt.startswith("p chart of 14 points from Q1 2020 to Q4 2023: better by week 26. Last point 50 %")
    assert "control limits" in figure.alt
    rows = figure.table.cells()
    assert (rows["Value"] == "hidden").sum() == 2
    assert rows.iloc[HIDDEN_AT]["Value"] == "hidden"
    # The numerator, 3, is hidden; so that it cannot be had from the total of the baseline, another period is too.
    assert rows.iloc[HIDDEN_AT]["Better"] == "hidden"
    assert "cell size suppression" in figure.table.notes[-1]
    assert [drawn.problems(figure.drawing(width)) for width in ("wide", "narrow")] == [[], []]
    axes = figure.drawing().axes[0]
    assert HIDDEN_AT not in axes.lines[3].get_xdata()
    assert any(text.get_text() == "new garment" for text in axes.texts)


def test_a_control_chart_draws_points_limits_and_baseline_where_they_are():
    """Shares of 50, 50.5 and 51 % of 200 in turn. Baseline, 12 quarters with 3 of 200 in the fifth: 12 x 100 + 12 - 101 +
    3 = 1114 of 2400, 46.417 %; three standard deviations 3 x sqrt(0.46417 x 0.53583 / 200) = 10.580 points (NIST/SEMATECH
    e-Handbook 6.3.3.2)."""
    axes = control_chart_figure(chart_of(released(16), SHARE), changes=[("2022-Q1", "new garment")]).drawing().axes[0]
    centre, lower, upper, points = axes.lines[:4]
    for line, height in ((centre, 46.417), (lower, 46.417 - 10.580), (upper, 46.417 + 10.580)):
        shown = line.get_ydata()[np.isfinite(line.get_ydata())]
        assert shown == pytest.approx(height, abs=0.002)
    assert points.get_ydata() == pytest.approx([50 + 0.5 * (k % 3) for k in points.get_xdata()])
    assert len(points.get_xdata()) == 14
    named = {text.get_text(): text.xy[1] for text in axes.texts if "l" in text.get_text() and hasattr(text, "xy")}
    assert named["upper limit"] > named["centre line"] > named["lower limit"]
    assert named["centre line"] == pytest.approx(46.417, abs=0.002)
    shaded = axes.patches[0].get_extents().transformed(axes.transData.inverted())
    assert (shaded.x0, shaded.x1) == (pytest.approx(-0.5), pytest.approx(11.5))
    change = [line.get_xdata()[0] for line in axes.lines if line.get_linestyle() == ":"]
    assert change == [7.5]  # between the eighth quarter and 2022-Q1, the ninth
    assert axes.get_ylabel() == "Patients (%)"
    assert [label.get_text() for label in axes.get_xticklabels()][-1] == "Q4\n2023"


def test_a_signal_is_marked_at_its_own_point():
    """46 and 54 % of 200 in turn, 1.1 standard deviations (sqrt(0.25 / 200) = 3.54 points) off, the last 66 %, 4.5 off."""
    periods = every_period(["2020-Q1", "2024-Q4"])
    shares = [92, 108] * 9 + [92, 132]
    rows = [
        (name, period, "site 00", value)
        for period, better in zip(periods, shares, strict=True)
        for name, value in (("better", better), ("seen", 200), ("not better", 200 - better))
    ]
    table = pd.DataFrame(rows, columns=["quantity", "period", "site", "value"])
    counts = QuarterCounts((SHARE,), table, (("seen", ("better", "not better")),))
    shown = chart_of(release(counts, periods[-1], baseline=periods[:12], window=periods[-4:]), SHARE)
    axes = control_chart_figure(shown).drawing().axes[0]
    looked, far = [line for line in axes.lines if line.get_marker() == "D"]
    assert (looked.get_xdata().tolist(), looked.get_ydata().tolist()) == ([19], [pytest.approx(66)])
    assert looked.get_markerfacecolor() != looked.get_markeredgecolor()
    assert far.get_xdata().tolist() == []
    figure = control_chart_figure(shown, signal=(periods[18], periods[19]))
    _, far = [line for line in figure.drawing().axes[0].lines if line.get_marker() == "D"]
    assert far.get_xdata().tolist() == [18, 19]
    assert "Filled diamonds: the signal of this report." in figure.caption
    assert "Filled" not in control_chart_figure(shown).caption


def test_a_short_series_is_a_run_chart_and_says_so(drawn):
    figure = control_chart_figure(chart_of(released(8), SHARE))
    assert figure.alt.startswith("Run chart of 6 points")
    assert "Only 6 points can be shown; control limits need 12, so this is a run chart." in figure.caption
    assert "Control limits" not in figure.table.cells()
    assert [drawn.problems(figure.drawing(width)) for width in ("wide", "narrow")] == [[], []]


def test_sixty_sites_are_not_all_named_in_the_picture_but_all_in_the_table(drawn):
    rng = np.random.default_rng(3)
    sites = pd.DataFrame({"site": [f"site {i:02d}" for i in range(60)], "denominator": rng.integers(30, 300, 60)})
    sites["numerator"] = rng.binomial(sites["denominator"], 0.6)
    sites.loc[7, "numerator"] = int(0.2 * sites.loc[7, "denominator"])
    sites = sites.assign(value=sites["numerator"] / sites["denominator"], hidden=False)
    sites.loc[3, ["numerator", "denominator", "value"]] = np.nan
    sites.loc[3, "hidden"] = True
    found = funnel(sites[~sites["hidden"]])
    figure = funnel_figure(found, sites, SHARE, **WORDS)
    assert len(figure.table.cells()) == 60
    assert figure.table.cells().iloc[3]["Value"] == "hidden"
    for width in ("wide", "narrow"):
        named = [text.get_text() for text in figure.drawing(width).axes[0].texts]
        assert "site 07" in named
        assert "site 03" not in named
        assert len(named) < 20
        assert drawn.problems(figure.drawing(width)) == []


def test_a_funnel_marks_each_site_by_where_it_lies_and_draws_the_limits_of_r():
    """70 % of sites of every size but two of 100: 59 % beyond the 95 % limit, 54 % beyond the 99.8 % limit of R (0.54844
    at n = 100, tests/quarter/test_funnel.py; the upper 97.5 % one, 0.78310, lies one count above)."""
    n = np.array([20, 50, 200, 400] * 8 + [100, 100])
    sites = pd.DataFrame({"site": [f"site {i:02d}" for i in range(34)], "denominator": n, "numerator": 7 * n // 10})
    sites.loc[32:, "numerator"] = [59, 54]
    sites = sites.assign(value=sites["numerator"] / sites["denominator"], hidden=False)
    found = funnel(sites, target=0.7)
    assert not found.over_dispersed
    figure = funnel_figure(found, sites, SHARE, **WORDS)
    axes = figure.drawing().axes[0]
    marks = {line.get_marker(): line for line in axes.lines if line.get_linestyle() == "None"}
    assert [(*marks[shape].get_xdata(), *marks[shape].get_ydata()) for shape in "DX"] == [(100, 59), (100, 54)]
    assert len({marks[shape].get_color() for shape in "oDX"}) == 3
    assert marks["o"].get_xdata().tolist() == n[:-2].tolist()
    assert marks["o"].get_ydata() == pytest.approx(70)
    whole, *limits = [line for line in axes.lines if line.get_linestyle() != "None"]
    assert list(whole.get_ydata()) == [pytest.approx(70)] * 2
    assert len(limits) == 4
    at = [float(np.interp(100, line.get_xdata(), line.get_ydata())) for line in limits]
    # lower and upper of 95 %, then of 99.8 %; drawn between sizes of the grid, so to a third of a point
    assert [at[1], at[2]] == [pytest.approx(79.31, abs=0.35), pytest.approx(54.84, abs=0.35)]
    assert at[2] < at[0] < 70 < at[1] < at[3]
    named = {text.get_text(): text.xy for text in axes.texts}
    assert named["site 32"] == (100, 59)
    assert named["site 33"] == (100, 54)
    assert named["whole"][1] == pytest.approx(70)
    assert named["99.8 % limit\n95 % limit"][1] == pytest.approx(limits[3].get_ydata()[-1])  # too near to stand apart
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("Seen", "Patients (%)")
    assert figure.table.cells()["Where it lies"].tolist()[-2:] == ["beyond the 95 % limits", "beyond the 99.8 % limits"]


def test_each_site_after_adjustment_stands_in_its_row(drawn):
    """Sites of 200 with 30, 50 and 80 %: nothing to adjust for, so 'adjusted' is what was seen."""
    patients = pd.DataFrame({"site": np.repeat(["north", "south", "west"], 200)})
    patients["outcome"] = np.concatenate([np.arange(200) < count for count in (60, 100, 160)]).astype(float)
    found = case_mix(patients)
    axes = case_mix_figure(found, SHARE, **WORDS).drawing().axes[0]
    places = drawn.rows(axes)
    assert list(places) == ["north", "south", "west"]
    assert axes.get_ylim()[0] > axes.get_ylim()[1]
    segments = {one[0][1]: (one[0][0], one[1][0]) for one in axes.collections[0].get_segments()}
    assert axes.lines[0].get_xdata() == [pytest.approx(100 * 320 / 600)] * 2
    for row, seen in zip(found.table.itertuples(), (30, 50, 80), strict=True):
        dots = {shape: x for x, _, _, shape in drawn.dots(axes, places[row.site])}
        assert dots["o"] == pytest.approx(seen, abs=0.1)
        assert abs(dots["s"] - 53.33) < abs(dots["o"] - 53.33)  # shrunk towards the whole
        low, high = segments[places[row.site]]
        assert low < dots["s"] < high


@pytest.mark.parametrize("n_sites", [2, 60])
def test_sites_after_adjustment_stand_by_name(n_sites, drawn):
    rng = np.random.default_rng(1)
    patients = pd.DataFrame(
        {"site": [f"site {i % n_sites:02d}" for i in range(1800)], "age_years": rng.normal(40, 9, 1800)}
    )
    patients["outcome"] = rng.binomial(1, 0.6, 1800) * 1.0
    figure = case_mix_figure(case_mix(patients), SHARE, **WORDS)
    names = figure.table.cells()["Site"].tolist()
    assert names == sorted(names)
    assert len(names) == n_sites
    labels = [label.get_text() for axes in figure.drawing("wide").axes for label in axes.get_yticklabels()]
    assert labels == names
    assert drawn.problems(figure.drawing("wide")) == []


def _sites(n, low, high):
    """Sites about 60 %, one of 30 % and one of 45 %."""
    rng = np.random.default_rng(3)
    sites = pd.DataFrame({"site": [f"Hospital {i:02d}" for i in range(n)], "denominator": rng.integers(low, high, n)})
    sites["numerator"] = rng.binomial(sites["denominator"], 0.6)
    sites.loc[n // 2, "numerator"] = int(0.3 * sites.loc[n // 2, "denominator"])
    sites.loc[n - 1, "numerator"] = int(0.45 * sites.loc[n - 1, "denominator"])
    return sites.assign(value=sites["numerator"] / sites["denominator"], hidden=False)


def _meet(one, other):
    return min(one.x1, other.x1) > max(one.x0, other.x0) and min(one.y1, other.y1) > max(one.y0, other.y0)


@pytest.mark.parametrize("place", ["wide", "narrow", "slide"])
@pytest.mark.parametrize(
    ("n", "low", "high"), [(2, 30, 300), (12, 30, 300), (12, 180, 220), (60, 30, 300), (60, 90, 110)]
)
def test_no_name_of_a_site_covers_a_mark_a_name_or_the_axes(drawn, n, low, high, place):
    sites = _sites(n, low, high)
    found = funnel(sites)
    figure = funnel_figure(found, sites, SHARE, **WORDS)
    drawing = figure.draw_for_slide() if place == "slide" else figure.drawing(place)
    (axes,) = drawing.axes
    boxes = {text.get_text(): box for text, box in drawn.texts(drawing)}
    names = {name: box for name, box in boxes.items() if name.startswith("Hospital")}
    beyond = found.table.loc[found.table["wide_region"] != "within the 95 % limits", "site"]
    assert set(names) == set(sites["site"] if n <= 12 else beyond)
    frame = axes.get_window_extent()
    marks = []
    for line in axes.lines:
        if line.get_linestyle() == "None":
            radius = line.get_markersize() / 2 * drawing.dpi / 72
            for x, y in axes.transData.transform(line.get_xydata()):
                marks.append(Bbox.from_extents(x - radius, y - radius, x + radius, y + radius))
    assert len(marks) == n
    for name, box in names.items():
        assert not any(_meet(box, mark) for mark in marks), name
        assert not any(_meet(box, other) for one, other in boxes.items() if one != name), name
        assert frame.x0 < box.x0 < box.x1 < frame.x1
        assert frame.y0 < box.y0 < box.y1 < frame.y1
    assert drawn.problems(drawing) == []


def test_a_name_without_a_free_place_is_left_out_and_given_back():
    drawing = new_drawing("narrow", 1.2)
    axes = drawing.add_subplot()
    x, y = (one.ravel().tolist() for one in np.meshgrid(np.arange(40.0), np.arange(12.0)))
    axes.plot(x, y, linestyle="none", marker="o")
    assert name_marks(axes, ["nowhere"], [(3.0, 4.0)], list(zip(x, y, strict=True))) == ["nowhere"]
    assert [text.get_text() for text in axes.texts] == []


def _key(drawing):
    return {
        text.get_text(): line
        for text, line in zip(drawing.legends[0].get_texts(), drawing.legends[0].get_lines(), strict=True)
    }


def test_every_mark_of_a_slide_has_a_key():
    """Marks that are drawn stand in the key with their shape and colour, others do not; lines have their names at their ends."""
    sites = _sites(60, 30, 300)
    found = funnel(sites)
    signal = chart_of(released(16), SHARE)
    patients = pd.DataFrame({"site": np.repeat(["north", "south", "west"], 200)})
    patients["outcome"] = np.concatenate([np.arange(200) < count for count in (60, 100, 160)]).astype(float)
    figures = (funnel_figure(found, sites, SHARE, **WORDS), control_chart_figure(signal),
               case_mix_figure(case_mix(patients), SHARE, **WORDS))  # fmt: skip
    for figure in figures:
        drawing = figure.draw_for_slide()
        explained = {(line.get_marker(), line.get_color()) for line in drawing.legends[0].get_lines()}
        drawn_marks = {
            (line.get_marker(), line.get_color())
            for axes in drawing.axes
            for line in axes.lines
            if line.get_marker() not in ("None", "") and len(line.get_xdata())
        }
        assert drawn_marks
        assert drawn_marks == {one for one in explained if one[0] not in ("None", "")}


def test_widened_limits_are_named_in_the_key_of_a_funnel():
    for counts, widened in (([30, 50, 70, 90], True), ([49, 50, 50, 51], False)):
        sites = pd.DataFrame({"site": list("abcd"), "denominator": 100, "numerator": counts})
        sites = sites.assign(value=sites["numerator"] / 100, hidden=False)
        figure = funnel_figure(funnel(sites), sites, SHARE, **WORDS)
        assert ("limits widened: sites differ" in _key(figure.drawing())) == widened
