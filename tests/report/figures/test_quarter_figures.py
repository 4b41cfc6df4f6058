"""Figures of a quarter: their sentences state numbers, and what is hidden is neither drawn nor said."""

import numpy as np
import pandas as pd
import pytest

from analysis.quarter import Indicator, QuarterCounts, case_mix, chart_of, funnel, release
from analysis.quarter.periods import every_period
from analysis.report.figures.control_chart_figure import control_chart_figure
from analysis.report.figures.funnel_figure import case_mix_figure, funnel_figure

SHARE = Indicator("better", "Better by week 26", "share", "outcome", "higher", "better", "seen", "better", "seen")
HIDDEN_AT = 4


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


def test_a_short_series_is_a_run_chart_and_says_so(drawn):
    figure = control_chart_figure(chart_of(released(8), SHARE))
    assert figure.alt.startswith("Run chart of 6 points")
    assert "6 points can be shown; control limits need 12, so this is a run chart." in figure.caption
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
    figure = funnel_figure(found, sites, SHARE, span="Q1 2026")
    assert "site 07" in figure.alt
    assert "1 site not shown because of small counts" in figure.alt
    assert len(figure.table.cells()) == 60
    assert figure.table.cells().iloc[3]["Value"] == "hidden"
    for width in ("wide", "narrow"):
        named = [text.get_text() for text in figure.drawing(width).axes[0].texts]
        assert "site 07" in named
        assert "site 03" not in named
        assert len(named) < 20
        assert drawn.problems(figure.drawing(width)) == []


@pytest.mark.parametrize("n_sites", [2, 60])
def test_sites_after_adjustment_stand_by_name(n_sites, drawn):
    rng = np.random.default_rng(1)
    patients = pd.DataFrame(
        {"site": [f"site {i % n_sites:02d}" for i in range(1800)], "age_years": rng.normal(40, 9, 1800)}
    )
    patients["outcome"] = rng.binomial(1, 0.6, 1800) * 1.0
    figure = case_mix_figure(case_mix(patients), SHARE, span="Q1 2026")
    names = figure.table.cells()["Site"].tolist()
    assert names == sorted(names)
    assert f"{n_sites} sites after adjustment" in figure.alt
    labels = [label.get_text() for axes in figure.drawing("wide").axes for label in axes.get_yticklabels()]
    assert labels == names
    assert drawn.problems(figure.drawing("wide")) == []
