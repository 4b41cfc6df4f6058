"""Figures of missing data: every number drawn is in the table, and the sentence says what the numbers say."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.missing.missing_analyses import missing_data_analyses
from analysis.outcomes.missing.tipping_point import tipping_point
from analysis.report.figures.sensitivity_figures import (
    analyses_figure,
    calibration_figure,
    responder_analyses_table,
    tipping_figure,
)
from analysis.statistics.calibration import calibration_table
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def cohort():
    return generate_cohort(patients=120, seed=4).observed


def test_analyses_side_by_side(cohort, drawn):
    found = missing_data_analyses(cohort, choose_endpoint(cohort, "ikdc", week=26, threshold=15), draws=10)
    figure = analyses_figure(found)
    keys, shown = ["protocol", "analysis", "assumption"], figure.data.astype({"protocol": "str"})
    pd.testing.assert_series_equal(
        shown.set_index(keys)["difference"].sort_index(), found.differences.set_index(keys)["difference"].sort_index()
    )
    axes = figure.drawing("wide").axes
    assert [label.get_text() for label in axes[0].get_yticklabels()][:2] == [
        "observed cases",
        "mixed model: missing at random",
    ]
    first = found.differences[found.differences["protocol"] == found.differences["protocol"].iloc[0]]
    np.testing.assert_allclose(axes[0].lines[0].get_xdata(), first["difference"])
    assert figure.alt == f"Differences from {found.reference} under 6 assumptions about missing visits."
    assert len(responder_analyses_table(found).data) == len(found.responders) == 6 * (first.shape[0] // 3)
    for width in ("wide", "narrow"):
        drawing = figure.drawing(width)
        assert drawn.problems(drawing) == []
        assert drawn.not_drawn(drawing, figure.data[["difference", "lower", "upper"]].to_numpy().ravel()) == []


def test_the_tipping_point_is_drawn_where_it_is(cohort, drawn):
    found = tipping_point(
        cohort, choose_endpoint(cohort, "ikdc", week=26, criterion=None), draws=10, deltas=[-40, -20, 20, 40]
    )
    figure = tipping_figure(found)
    panels = [axes for axes in figure.drawing().axes if axes.get_title(loc="left")]
    assert len(panels) == len(found.tipping)
    assert [drawn.problems(figure.drawing(width)) for width in ("wide", "narrow")] == [[], []]
    for axes, row in zip(panels, found.tipping.itertuples(), strict=True):
        vertical = [line.get_xdata()[0] for line in axes.lines if line.get_linestyle() == "--"]
        assert vertical == ([] if np.isnan(row.delta) else [pytest.approx(row.delta)])
    assert len(figure.data) == 5 * len(found.tipping)
    assert ("The dashed line is where the finding turns." in figure.caption) == found.tipping["delta"].notna().any()


def test_calibration_leaves_out_empty_bands(drawn):
    table = calibration_table([0.05, 0.08, 0.95, 0.97], [False, True, True, True])
    figure = calibration_figure(table, truth="what was true")
    assert [drawn.problems(figure.drawing(width)) for width in ("wide", "narrow")] == [[], []]
    points = figure.drawing().axes[0].lines[1]
    np.testing.assert_allclose(points.get_xdata(), [6.5, 96])
    np.testing.assert_allclose(points.get_ydata(), [50, 100])
    assert "at most 43.5 percentage points in 2 bands" in figure.alt
    assert len(figure.data) == 10


def test_where_no_shift_turns_the_finding_no_line_is_spoken_of(cohort):
    found = tipping_point(cohort, choose_endpoint(cohort, "ikdc", week=26, criterion=None), draws=3)
    still = replace(found, tipping=found.tipping.assign(delta=np.nan))
    assert "dashed" not in tipping_figure(still).caption
    assert "dashed" in tipping_figure(replace(found, tipping=found.tipping.assign(delta=1.0))).caption
