"""Figures: every one is drawn at both widths, has a sentence with numbers, a caption and a table."""

import io
import itertools
import re
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb
from PIL import Image

from analysis.cohort import visit_frame
from analysis.curves.mixed_model import fit_mixed
from analysis.curves.recovery import fit_recovery
from analysis.outcomes import adherence_by_week, missing_by_week, patient_flow, responders
from analysis.report.difference_figure import difference_figure
from analysis.report.figures import FIGURE_TYPE, Figure
from analysis.report.flow_figure import flow_figure
from analysis.report.look import marks, new_drawing, settings, spread
from analysis.report.model_figures import patient_effect_figure, quantile_figure, residual_figure
from analysis.report.programme_figures import adherence_figure, missing_figure
from analysis.report.recovery_figure import recovery_figure
from analysis.report.responder_figures import change_figure, responder_figure
from analysis.report.seen_figure import seen_figure, seen_summary
from analysis.report.tables import Table


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
        "change": change_figure(found, invented.measures["ikdc"]),
        "responders": responder_figure(found),
        "adherence": adherence_figure(adherence_by_week(invented)),
        "missing": missing_figure(missing_by_week(invented, "quadriceps_torque"), torque),
        "flow": flow_figure(patient_flow(invented)),
        "residuals": residual_figure(curves.model),
        "quantiles": quantile_figure(curves.model),
        "patient-effects": patient_effect_figure(slopes),
    }


NAMES = [
    "recovery", "differences", "seen", "change", "responders", "adherence", "missing", "flow", "residuals", "quantiles",
    "patient-effects",
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


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_every_figure_is_drawn_at_both_widths(figures, name, width):
    picture = figures[name].png(width)
    assert picture.startswith(b"\x89PNG")
    assert 2_000 < len(picture) < 300_000


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
    assert data[FIGURE_TYPE]["alt"] == figures["responders"].alt
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


def test_twelve_protocols_and_long_names_are_drawn(make_cohort):
    names = tuple(f"protocol {number} with a rather long name of its own" for number in range(12))
    cohort = make_cohort(patients=72, protocols=names)
    curves = fit_recovery(cohort, "pain")
    assert recovery_figure(curves).png("wide")
    assert difference_figure(curves).png("narrow")
    assert seen_figure(visit_frame(cohort, "pain"), cohort.measures["pain"]).png("wide")


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


def test_names_with_signs_of_mathematics_and_other_scripts_are_drawn(make_cohort):
    cohort = make_cohort(protocols=("$x^2_$ & <b>", "פרוטוקול é 2"))
    curves = fit_recovery(cohort, "pain")
    assert recovery_figure(curves).png("wide")


def test_visits_without_schedule_are_summarised_by_spans_of_weeks():
    frame = pd.DataFrame({"patient_id": range(200), "protocol": "usual", "week": np.linspace(1, 50, 200), "value": 1.0})
    summary = seen_summary(frame)
    assert len(summary) == 8
    assert summary["n"].sum() == 200
    assert summary["week"].iloc[0].startswith("1 to ")


def contrast(colour):
    """Return the contrast with white by the formula of WCAG 2.2, 'relative luminance'."""
    channels = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return 1.05 / (0.2126 * channels[0] + 0.7152 * channels[1] + 0.0722 * channels[2] + 0.05)


def test_protocols_differ_in_more_than_colour_and_their_names_can_be_read():
    drawn = marks([f"protocol {number}" for number in range(12)])
    assert all(contrast(mark.colour) >= 4.5 for mark in drawn.values())
    assert len({(mark.colour, mark.marker, str(mark.dash)) for mark in drawn.values()}) == 12
    four = list(drawn.values())[:4]
    assert len({mark.marker for mark in four}) == len({str(mark.dash) for mark in four}) == 4


def test_labels_are_moved_apart_and_keep_their_order():
    places = spread([1.0, 1.05, 1.1, 9.95, 10.0], 0.5, 0.0, 10.0)
    assert places == sorted(places)
    assert min(b - a for a, b in itertools.pairwise(places)) >= 0.5 - 1e-9
    assert max(places) <= 10.0 + 1e-9
