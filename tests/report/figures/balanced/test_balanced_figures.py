"""Figures of a comparison among patients made alike: every number is that of the table, and a reader stumbles over nothing."""

import numpy as np
import pytest

from analysis.outcomes import observational_comparison
from analysis.report.figures.balanced.adjusted_figure import adjusted_figure
from analysis.report.figures.balanced.balance_figure import balance_figure, term_in_words
from analysis.report.figures.balanced.score_figure import score_figure

from ...truths.planted import better, plant


@pytest.fixture(
    scope="module", params=[("usual", "early"), ("usual", "early", "late and long, with a name of many words")]
)
def found(request):
    """Give a comparison of two protocols, and of three, of which one started better."""
    cohort = plant(2, protocols=request.param, start={"early": 0.2}, effect=better(0.3), sites=("north", "south"))
    return observational_comparison(cohort, "quadriceps_torque", ["site"])


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_a_reader_stumbles_over_nothing(found, drawn, width):
    figures = [adjusted_figure(found), balance_figure(found.weighting), score_figure(found.weighting)]
    assert [drawn.problems(one.drawing(width)) for one in figures] == [[], [], []]


def test_means_are_drawn_balanced_and_unadjusted(found, drawn):
    figure = adjusted_figure(found, told="Told.", message="early: higher")
    drawing = figure.drawing()
    assert drawn.not_drawn(drawing, figure.data[["estimate", "crude"]].to_numpy().ravel()) == []
    crude = found.crude.astype({"protocol": "str"}).set_index(["protocol", "week"])["estimate"]
    means = figure.data.set_index(["protocol", "week"])["crude"]
    gaps = [means[key] - means[found.reference, key[1]] for key in crude.index]
    np.testing.assert_allclose(gaps, crude, atol=1e-6)
    assert figure.alt.endswith("Told.")
    assert figure.message == "Early: higher"


def test_the_balance_of_the_pair_furthest_apart_is_drawn(found, drawn):
    figure = balance_figure(found.weighting)
    worst = found.balance.assign(size=found.balance["smd_after"].abs())["size"].max()
    assert drawn.not_drawn(figure.drawing(), [worst]) == []
    rows = found.balance.groupby(["covariate", "term"])["smd_before"].apply(lambda one: one.abs().max() > 0.1)
    assert figure.alt.startswith(f"Of {len(rows)} rows {rows.sum() or 'none'} ")
    assert ("the one furthest apart is drawn" in figure.caption) == (len(found.weighting.protocols) > 2)


def test_scores_are_shares_of_the_patients_of_each_protocol(found):
    drawing = score_figure(found.weighting).drawing()
    protocols = len(found.weighting.protocols)
    panels = [axes for axes in drawing.axes if axes.axison]
    assert len(panels) == (1 if protocols == 2 else 3)
    for axes in panels:
        heights = [sum(one.get_data().values) for one in axes.patches]
        np.testing.assert_allclose(heights, [100.0] * protocols)


def test_terms_are_named_as_a_reader_would():
    assert [term_in_words(*one) for one in (("site", "north"), ("baseline_of_pain", "squared"), ("age_years", "value"))] == [
        "site: north", "baseline of pain, squared", "age",
    ]  # fmt: skip
