"""Figures: the numbers of the table are drawn, texts can be read, and there are a sentence, a caption and a table."""

import io
import itertools
import re
from dataclasses import replace
from functools import cache

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb
from PIL import Image

from analysis.cohort import visit_frame
from analysis.curves.mixed_model import fit_mixed
from analysis.curves.recovery import fit_recovery
from analysis.outcomes import adherence_by_week, events_by_protocol, missing_by_week, patient_flow, responders
from analysis.report.figures.difference_figure import difference_figure
from analysis.report.figures.flow_figure import flow_figure
from analysis.report.figures.model_figures import patient_effect_figure, quantile_figure, residual_figure
from analysis.report.figures.programme_figures import adherence_figure, harm_figure, missing_figure
from analysis.report.figures.recovery_figure import recovery_figure
from analysis.report.figures.responder_figures import change_figure, responder_figure
from analysis.report.figures.seen_figure import seen_figure, seen_summary
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import marks, new_drawing, settings, spread
from analysis.report.parts.part import PART_TYPE
from analysis.report.parts.tables import Table


@pytest.fixture(scope="module")
def curves(invented):
    return fit_recovery(invented, "quadriceps_torque")


@pytest.fixture(scope="module")
def figures(invented, curves):
    torque = invented.measures["quadriceps_torque"]
    found = responders(invented, "ikdc", week=26)
    slopes = fit_mixed(curves.frame, "value ~ protocol * week + baseline", patient_effects="1")
    return {
        "recovery": recovery_figure(curves),
        "differences": difference_figure(curves),
        "seen": seen_figure(visit_frame(invented, "quadriceps_torque"), torque),
        "change": change_figure(found),
        "responders": responder_figure(found),
        "adherence": adherence_figure(adherence_by_week(invented)),
        "missing": missing_figure(
            missing_by_week(invented, "quadriceps_torque"), torque, told="Missing at week 26: 5/30."
        ),
        "harms-drawn": harm_figure(events_by_protocol(invented), told="Any harm: 9/30.", message="9 of 30"),
        "flow": flow_figure(patient_flow(invented), told="Flow of 90 patients, 75 seen."),
        "residuals": residual_figure(curves.model),
        "quantiles": quantile_figure(curves.model),
        "patient-effects": patient_effect_figure(slopes),
    }


@pytest.fixture(scope="module")
def drawing_of(figures):
    """Give the drawing of a figure by name and width; each is drawn once."""
    return cache(lambda name, width: figures[name].drawing(width))


NAMES = [
    "recovery", "differences", "seen", "change", "responders", "adherence", "missing", "harms-drawn", "flow", "residuals",
    "quantiles", "patient-effects",
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_every_figure_says_with_numbers_what_it_shows(figures, name):
    figure = figures[name]
    assert figure.name == name
    assert len(re.findall(r"\d", figure.alt)) >= 3
    assert figure.alt.endswith(".")
    assert figure.caption.endswith(".")
    assert len(figure.data) > 0
    assert figure.table.cells().shape[0] == len(figure.data)


#: Columns of the table whose every number is drawn, and the factor from the table to the axes.
DRAWN = {
    "recovery": (["week", "estimate", "lower", "upper"], 1),
    "differences": (["week", "estimate", "lower", "upper"], 1),
    "seen": (["median", "lower_quartile", "upper_quartile", "lowest", "highest"], 1),
    "change": (["share"], 100),
    "responders": (["share", "lower", "upper"], 100),
    "adherence": (["share_of_sessions"], 100),
    "missing": (["share"], 1),
    "residuals": (["middle", "mean"], 1),
    "patient-effects": (["lowest", "highest"], 1),
}


@pytest.mark.parametrize("width", ["wide", "narrow"])
@pytest.mark.parametrize("name", DRAWN)
def test_every_number_of_the_table_is_drawn(figures, drawing_of, drawn, name, width):
    figure = figures[name]
    columns, factor = DRAWN[name]
    for column in columns:
        assert figure.data[column].notna().any()
        assert drawn.not_drawn(drawing_of(name, width), factor * figure.data[column]) == [], column


@pytest.mark.parametrize("width", ["wide", "narrow"])
@pytest.mark.parametrize("name", NAMES)
def test_texts_are_inside_the_picture_apart_and_dark_and_axes_have_names(drawing_of, drawn, name, width):
    assert drawn.problems(drawing_of(name, width)) == []


def test_the_dots_of_the_checks_are_all_values_and_all_patients(figures, curves):
    """Residuals against week and against fitted mean, and their quantiles; a stick for every patient."""
    values = len(curves.frame.dropna(subset=["value", "baseline"]))
    week, fitted = figures["residuals"].drawing().axes
    quantiles = figures["quantiles"].drawing().axes[0]
    for axes in (week, fitted, quantiles):
        assert max(len(line.get_xdata()) for line in axes.lines) == values
    sticks = figures["patient-effects"].drawing().axes[0].collections[0].get_segments()
    assert len(sticks) == figures["patient-effects"].data["n"].iloc[0] == curves.frame["patient_id"].nunique()


def test_the_boxes_of_the_flow_hold_the_numbers_of_the_table(figures, drawn):
    table = figures["flow"].data
    said = " ".join(text.get_text() for text, _ in drawn.texts(figures["flow"].drawing()))
    for name, rows in table.groupby("protocol", observed=True):
        assert str(name) in said.replace("\n", " ")
        for number in (rows["allocated"].iloc[0], rows["seen"].iloc[0], rows["seen"].iloc[-1]):
            assert re.search(rf"\b{number}\b", said), number


def test_protocols_are_drawn_in_their_own_colours_one_beside_the_other(figures, curves):
    own, table = marks(curves.protocols), curves.means()
    lines = figures["recovery"].drawing().axes[0].lines
    for name in curves.protocols:
        estimate = table.loc[table["protocol"] == name, "estimate"].to_numpy()
        its = [
            line for line in lines if len(line.get_ydata()) == len(estimate) and np.allclose(line.get_ydata(), estimate)
        ]
        assert {line.get_color() for line in its} == {own[name].colour}, name


def test_the_same_figure_has_the_same_bytes(curves):
    assert recovery_figure(curves).png() == recovery_figure(curves).png()


def test_a_picture_keeps_white_paper_and_the_colours_drawn():
    def draw(width, *, empty=False):
        drawing = new_drawing(width, 2.0)
        if not empty:
            drawing.add_subplot().fill_between([0, 1], [0, 1], color=[*to_rgb("#0067a3"), 0.08])
        return drawing

    figure = Figure("fill", "Fill", "A fill.", "The fill rises from 0 to 1.", Table(pd.DataFrame(), "None."), draw)
    shown = np.asarray(Image.open(io.BytesIO(figure.png())).convert("RGB")).astype(int)
    drawing = figure.drawing()
    drawing.canvas.draw()
    drawn = np.asarray(drawing.canvas.buffer_rgba())[..., :3].astype(int)
    assert (shown == 255).all(axis=2).sum() == (drawn == 255).all(axis=2).sum()
    assert np.abs(shown - drawn).max() <= 8
    blank = replace(figure, draw=lambda width: draw(width, empty=True), _drawn={})
    assert Image.open(io.BytesIO(blank.png())).convert("RGB").getcolors() == [(1292 * 340, (255, 255, 255))]


def test_the_bundle_has_the_sentence_as_alt_text(figures):
    data, metadata = figures["responders"]._repr_mimebundle_()
    assert metadata["image/png"]["alt"] == figures["responders"].alt
    assert data[PART_TYPE]["figure"]["alt"] == figures["responders"].alt
    assert data["text/html"].count("<img") == 1


def test_drawing_leaves_the_settings_of_matplotlib_alone(figures):
    before = dict(mpl.rcParams)
    figures["flow"].drawing()
    assert dict(mpl.rcParams) == before


def test_the_recovery_figure_shows_the_means_of_the_model_and_the_patients_seen(figures, curves, invented):
    table = figures["recovery"].data
    means = curves.means()
    assert np.allclose(table["estimate"], means["estimate"])
    frame = visit_frame(invented, "quadriceps_torque")
    at = frame[(frame["week"] == 26) & (frame["protocol"] == "home stimulation") & frame["value"].notna()]
    shown = table[(table["week"] == 26) & (table["protocol"] == "home stimulation")]
    assert shown["n"].tolist() == [at["patient_id"].nunique()]


def test_no_single_patient_is_in_a_table(figures, invented):
    ids = set(invented.patients["patient_id"])
    assert not any(figures[name].table.data.isin(ids).any().any() for name in NAMES)


@pytest.mark.slow
def test_twelve_protocols_and_long_names_are_drawn(make_cohort, drawn):
    names = tuple(f"protocol {number} with a rather long name of its own" for number in range(12))
    cohort = make_cohort(patients=72, protocols=names)
    curves = fit_recovery(cohort, "pain")
    panels = recovery_figure(curves).drawing("wide").axes
    titles = {" ".join(axes.get_title(loc="left").split()) for axes in panels}
    assert set(names) <= titles
    assert drawn.not_drawn(recovery_figure(curves).drawing(), curves.means()["estimate"]) == []
    differences = difference_figure(curves)
    assert drawn.not_drawn(differences.drawing("narrow"), differences.data["estimate"]) == []
    assert differences.data["protocol"].nunique() == 11
    seen = seen_figure(visit_frame(cohort, "pain"), cohort.measures["pain"])
    assert drawn.not_drawn(seen.drawing("wide"), seen.data["median"]) == []


def test_pictures_of_many_protocols_are_low_on_slides_and_long_names_keep_to_their_rows(make_cohort):
    names = tuple(f"protocol {number} with a rather long name of its own" for number in range(12))
    cohort = make_cohort(patients=72, protocols=names)
    for figure in (
        responder_figure(responders(cohort, "pain", week=12)),
        missing_figure(missing_by_week(cohort, "pain"), cohort.measures["pain"]),
    ):
        for low in (False, True):
            with mpl.rc_context(settings()):
                drawing = figure.draw_for_slide() if low else figure.draw("wide")
            width, height = drawing.get_size_inches()
            assert (width / height > 1.8) == low
            drawing.canvas.draw()
            labels = [one.get_window_extent() for one in drawing.axes[0].get_yticklabels() if one.get_text()]
            places = sorted((one.y0, one.y1) for one in labels)
            assert len(places) == 12
            assert all(below[1] <= above[0] + 1 for below, above in itertools.pairwise(places))


def test_names_with_signs_of_mathematics_and_other_scripts_are_drawn_as_they_are(make_cohort, drawn):
    names = ("$x^2_$ & <b>", "פרוטוקול é 2")
    figure = recovery_figure(fit_recovery(make_cohort(protocols=names), "pain"))
    said = [text.get_text() for text, _ in drawn.texts(figure.drawing("wide"))]
    for name in names:
        assert any(name in one for one in said), said


def test_visits_without_schedule_are_summarised_by_spans_of_weeks():
    frame = pd.DataFrame({"patient_id": range(200), "protocol": "usual", "week": np.linspace(1, 50, 200), "value": 1.0})
    summary = seen_summary(frame)
    assert len(summary) == 8
    assert summary["n"].sum() == 200
    assert summary["week"].iloc[0].startswith("1 to ")


def test_protocols_differ_in_more_than_colour_and_their_names_can_be_read(drawn):
    own = marks([f"protocol {number}" for number in range(12)])
    assert all(drawn.contrast(mark.colour) >= drawn.TEXT_CONTRAST for mark in own.values())
    assert len({(mark.colour, mark.marker, str(mark.dash)) for mark in own.values()}) == 12
    colours = {mark.colour for mark in own.values()}
    assert len(colours) == 8
    assert min(drawn.difference(one, other) for one, other in itertools.combinations(colours, 2)) > 20
    four = list(own.values())[:4]
    assert len({mark.marker for mark in four}) == len({str(mark.dash) for mark in four}) == 4


def test_labels_are_moved_apart_and_keep_their_order():
    places = spread([1.0, 1.05, 1.1, 9.95, 10.0], 0.5, 0.0, 10.0)
    assert places == sorted(places)
    assert min(b - a for a, b in itertools.pairwise(places)) >= 0.5 - 1e-9
    assert max(places) <= 10.0 + 1e-9


def test_sentences_of_a_single_week_and_of_patients_not_seen(make_cohort):
    cohort = make_cohort(weeks=(0, 6), patients=20)
    curves = fit_recovery(cohort, "pain")
    assert difference_figure(curves).alt == "Differences in pain from usual at week 6, with 95 % intervals."
    assert "Lines of pain from week 0 to week 6 with single patients" in recovery_figure(curves).alt
    alone = fit_recovery(make_cohort(weeks=(6,), patients=20), "pain")
    assert "Lines of pain at one week with single patients" in recovery_figure(alone).alt
    counted = responders(cohort, "pain", week=6, threshold=1, missing="non-response")
    assert "of the 8 seen" in change_figure(counted).alt
    assert "seen" not in change_figure(responders(cohort, "pain", week=6, threshold=1)).alt


def test_harms_are_drawn_from_zero(figures, invented):
    """The invented cohort has harms in each protocol; with an empty record of events nobody has any."""
    figure = figures["harms-drawn"]
    for width in ("wide", "narrow"):
        panels = figure.drawing(width).axes
        assert [axes.get_xlim()[0] for axes in panels] == [0, 0]
        assert all(axes.get_xlim()[1] > 100 * figure.data["upper"].max() for axes in panels)
        for axes, kind in zip(panels, ("any serious harm", "any other harm"), strict=True):
            middles = [line.get_xdata()[0] for line in axes.lines if len(line.get_xdata()) == 1]
            np.testing.assert_allclose(middles, 100 * figure.data.loc[figure.data["event"] == kind, "share"])
    none = harm_figure(events_by_protocol(replace(invented, events=invented.events.head(0))))
    assert none.drawing("wide").axes[0].get_xlim()[0] == 0
