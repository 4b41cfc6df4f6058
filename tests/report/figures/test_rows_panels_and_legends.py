"""Each number stands in the row, the panel and the colour of what it belongs to; legends name protocols in their order."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.cohort.modalities import NMES
from analysis.curves.recovery import fit_recovery
from analysis.outcomes import adherence_by_week, missing_by_week, responders
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.home_programme.adherence_classes import adherence_classes
from analysis.outcomes.home_programme.complier_effect import complier_effect
from analysis.outcomes.home_programme.home_dose import home_dose
from analysis.outcomes.home_programme.time_to_stopping import time_to_stopping
from analysis.outcomes.patients.patient_flow import patient_flow
from analysis.outcomes.thresholds.found_thresholds import find_thresholds
from analysis.report.figures.adherence_figures import classes_figure, dose_figure, stopping_figure
from analysis.report.figures.dose_change_figures import effect_figure
from analysis.report.figures.flow_figure import flow_figure
from analysis.report.figures.programme_figures import adherence_figure, missing_figure
from analysis.report.figures.recovery_figure import recovery_figure
from analysis.report.figures.responder_figures import change_figure, responder_figure
from analysis.report.figures.thresholds.threshold_figures import threshold_figure
from analysis.report.parts.look import PRINT_INCHES, drawn_at


@pytest.fixture(scope="module")
def found(invented):
    return responders(invented, "ikdc", week=26)


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_each_share_of_responders_stands_in_the_row_of_its_protocol_with_its_count(found, drawn, width):
    drawing = responder_figure(found).drawing(width)
    axes = drawing.axes[0]
    places = drawn.rows(axes)
    assert list(places) == found.table["protocol"].tolist()
    assert axes.get_ylim()[0] > axes.get_ylim()[1]  # the first row at the top
    said = {place: text.get_text() for text in axes.texts for place in [text.xy[1]]}
    for row in found.table.itertuples():
        place = places[row.protocol]
        assert [dot[0] for dot in drawn.dots(axes, place)] == [pytest.approx(100 * row.share)]
        limits = [
            line.get_xdata() for line in axes.lines if len(line.get_xdata()) == 2 and line.get_ydata()[0] == place
        ]
        assert limits == [pytest.approx([100 * row.lower, 100 * row.upper])]
        assert f"({row.responders}/{row.n})" in said[place]


def test_curves_of_change_have_the_colour_of_their_protocol_in_the_legend(found, drawn):
    drawing = change_figure(found).drawing()
    names = drawn.legend(drawing)
    assert [name for name, _ in names] == found.table["protocol"].tolist()
    assert len({colour for _, colour in names}) == len(names)
    for name, colour in names:
        amounts, shares = drawn.curve(drawing.axes[0], colour)
        gains = found.patients.loc[found.patients["protocol"].astype("str") == name, "improvement"].dropna().to_numpy()
        counted = [100 * (gains >= amount - 1e-9).mean() for amount in amounts]
        assert shares.tolist() == pytest.approx(counted)


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_each_cell_of_missing_values_is_that_of_its_protocol_and_week(invented, drawn, width):
    table = missing_by_week(invented, "quadriceps_torque").table
    axes = (
        missing_figure(missing_by_week(invented, "quadriceps_torque"), invented.measures["quadriceps_torque"])
        .drawing(width)
        .axes[0]
    )
    down = list(drawn.rows(axes))
    across = [" ".join(label.get_text().split()) for label in axes.get_xticklabels()]
    shades = axes.images[0].get_array()
    assert shades.shape == (len(down), len(across))
    assert table["share"].nunique() > 4
    said = {text.get_position(): text.get_text() for text in axes.texts}
    for row in table.itertuples():
        if width == "wide":
            (i,), (j,) = (
                [k for k, one in enumerate(down) if one.startswith(f"{row.protocol} of")],
                [across.index(f"{row.week:g}")],
            )
        else:
            i, j = down.index(f"week {row.week:g}"), across.index(row.protocol)
        assert shades[i, j] == pytest.approx(row.share)
        assert said[j, i].endswith(f"({row.missing})")


def test_each_modality_has_its_panel_and_each_protocol_its_colour(invented, drawn):
    sessions = adherence_by_week(invented).table
    drawing = adherence_figure(adherence_by_week(invented)).drawing()
    own = dict(drawn.legend(drawing))
    assert list(own) == sessions["protocol"].drop_duplicates().tolist()
    panels = {axes.get_title(loc="left").replace("\n", " "): axes for axes in drawing.axes}
    assert set(panels) == set(sessions["modality"])
    known = sessions[sessions["n"] > 0]
    assert len(known.groupby(["modality", "protocol"])) > 4
    for (modality, protocol), one in known.groupby(["modality", "protocol"]):
        weeks, shares = drawn.curve(panels[modality], own[protocol])
        assert weeks.tolist() == one["week"].tolist()
        assert shares.tolist() == pytest.approx((100 * one["sessions_done"] / one["sessions_prescribed"]).tolist())


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_each_panel_of_the_dose_is_that_of_its_title_with_its_unit(invented, drawn, width):
    table = home_dose(invented).table
    drawing = dose_figure(home_dose(invented)).drawing(width)
    own = dict(drawn.legend(drawing))
    titles = {axes: " ".join(axes.get_title(loc="left").split()) for axes in drawing.axes}
    panels = {title: axes for axes, title in titles.items() if title}
    groups = table[table["quantity"] != "minutes a session"].groupby(["modality", "quantity"], sort=False)
    assert set(panels) == {f"{modality} {quantity}" for (modality, quantity), _ in groups}
    for (modality, quantity), rows in groups:
        axes = panels[f"{modality} {quantity}"]
        assert axes.get_ylabel() == f"{rows['unit'].iloc[0]} a week"
        for protocol, one in rows.groupby("protocol"):
            weeks, means = drawn.curve(axes, own[protocol])
            assert weeks.tolist() == one["week"].tolist()
            assert means.tolist() == pytest.approx(one["mean"].tolist())


def test_each_curve_of_stopping_has_the_colour_of_its_protocol(invented, drawn):
    stopping = time_to_stopping(invented)
    drawing = stopping_figure(stopping).drawing()
    names = drawn.legend(drawing)
    assert [name for name, _ in names] == stopping.summary["protocol"].tolist()
    for name, colour in names:
        one = stopping.table[stopping.table["protocol"] == name]
        weeks, shares = drawn.curve(drawing.axes[0], colour)
        assert (weeks[0], shares[0]) == (0.0, 0.0)
        assert weeks[1:-1].tolist() == one["week"].tolist()
        assert shares[1:-1].tolist() == pytest.approx((100 * one["share"]).tolist())
        assert shares[-1] == shares[-2]


def test_each_class_of_adherence_stands_in_its_row_in_the_colour_of_its_protocol(invented, drawn):
    table = adherence_classes(invented).table
    drawing = classes_figure(adherence_classes(invented)).drawing()
    axes, own = drawing.axes[0], dict(drawn.legend(drawing))
    places = drawn.rows(axes)
    assert list(places) == table["adherence_class"].drop_duplicates().tolist()
    for row in table.itertuples():
        (dot,) = [
            one
            for one in drawn.dots(axes)
            if abs(one[1] - places[row.adherence_class]) < 0.5 and one[2] == own[row.protocol]
        ]
        assert dot[0] == pytest.approx(100 * row.patients / row.n)


def test_each_threshold_stands_in_the_row_of_its_method(drawn):
    rng = np.random.default_rng(3)
    gain = rng.normal(9, 10, 200)
    feels = np.clip(np.round((gain + rng.normal(0, 9, 200)) / 9), -1, 2)
    data = pd.DataFrame({"improvement": gain, "anchor": feels, "baseline": rng.normal(50, 14, 200)})
    found = find_thresholds(data, improved=[1, 2], slightly_better=[1], measurement_error=4, unit="points", draws=50)
    axes = threshold_figure(found, "Score").drawing().axes[0]
    places = drawn.rows(axes)
    for table, marker in ((found.anchor_based, "o"), (found.distribution_based, "D")):
        for row in table.itertuples():
            dots = drawn.dots(axes, places[row.method])
            assert [(x, shape) for x, _, _, shape in dots] == [(pytest.approx(row.estimate), marker)]
    # detectable change: 1.96 x root 2 x 4
    dashed = [line.get_xdata()[0] for line in axes.lines if line.get_linestyle() == "--"]
    assert dashed == [pytest.approx(11.09, abs=0.005)]


def test_the_effect_of_the_allocation_and_of_the_dose_stand_in_their_rows(invented, drawn):
    torque = choose_endpoint(invented, "quadriceps_torque", week=26, criterion=None)
    effect = complier_effect(invented, torque, randomised=True, modality=NMES)
    axes = effect_figure(effect).drawing().axes[0]
    places = drawn.rows(axes)
    assert len(places) == 2 * len(effect.table)
    for row in effect.table.itertuples():
        for kind, estimate in (("Allocation", row.allocation_effect), ("Home dose", row.effect)):
            assert [dot[0] for dot in drawn.dots(axes, places[f"{kind}: {row.protocol}"])] == [pytest.approx(estimate)]


@pytest.mark.parametrize("width", ["wide", "narrow"])
@pytest.mark.parametrize("reached", [(0, 0), (0, 1), (1, 2), (2, 2), (10, 40)])
def test_the_count_of_any_share_hides_no_name_of_a_protocol(drawn, width, reached):
    some, of = reached[0], max(reached[1], 1)
    people = pd.DataFrame(
        {"patient_id": [f"p{i}" for i in range(2 * of)], "protocol": ["usual"] * of + ["early motion"] * of}
    )
    rows = [(name, week, "pain", "none", 8 - 4 * (week > 0) * (i % of < some))
            for i, name in enumerate(people["patient_id"]) for week in (0, 26)]  # fmt: skip
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "measure", "limb", "value"])
    shown = responder_figure(responders(Cohort(people, visits), "pain", week=26)).drawing(width)
    assert drawn.problems(shown) == []


@pytest.mark.parametrize("protocols", [2, 3, 4])
def test_recovery_and_flow_are_low_on_a_printed_page_and_show_all_that_their_captions_say(
    make_cohort, drawn, protocols
):
    names = ("usual exercise alone", "early motion", "home stimulation", "stimulation and early motion")[:protocols]
    cohort = make_cohort(protocols=names)
    curves = fit_recovery(cohort, "pain")
    recovery = recovery_figure(curves)
    flow = flow_figure(patient_flow(cohort), told="So many were seen.")
    with drawn_at(PRINT_INCHES):
        low, boxes = recovery.draw_for_print(), flow.draw_for_print()
    assert drawn.problems(low) == []
    assert drawn.not_drawn(low, curves.means()["estimate"]) == []
    assert [axes.get_title().replace("\n", " ") for axes in low.axes] == ["Model means", *names]
    assert low.get_figheight() < (3.0 if protocols < 4 else 3.5)
    assert low.get_figheight() < recovery.drawing().get_figheight()
    assert drawn.problems(boxes) == []
    assert boxes.get_figheight() < flow.drawing().get_figheight()
