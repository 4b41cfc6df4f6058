"""Figures of reliability, thresholds and adherence: what is drawn, with a sentence and a table that agree."""

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.cohort.modalities import NMES
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.home_programme.adherence_association import adherence_association
from analysis.outcomes.home_programme.adherence_classes import adherence_classes
from analysis.outcomes.home_programme.complier_effect import complier_effect
from analysis.outcomes.home_programme.home_dose import home_dose
from analysis.outcomes.home_programme.time_to_stopping import time_to_stopping
from analysis.outcomes.thresholds.found_thresholds import find_thresholds
from analysis.outcomes.thresholds.reliability import reliability
from analysis.report.figures.adherence_figures import classes_figure, dose_figure, stopping_figure
from analysis.report.figures.dose_change_figures import dose_change_figure, effect_figure
from analysis.report.figures.thresholds.reliability_figures import agreement_figure, correlation_table, error_table
from analysis.report.figures.thresholds.threshold_figures import anchor_figure, threshold_figure


@pytest.fixture(scope="module")
def tested():
    """Weir 2005, set A, as test and retest, and a third day."""
    days = [
        [146, 148, 170, 90, 157, 156, 176, 205],
        [140, 152, 152, 99, 145, 153, 167, 218],
        [150, 149, 160, 95, 150, 150, 170, 210],
    ]
    return pd.DataFrame(
        [(f"P{i}", f"day {d + 1}", value) for d, day in enumerate(days) for i, value in enumerate(day)],
        columns=["patient_id", "occasion", "value"],
    )


@pytest.fixture(scope="module")
def anchored():
    rng = np.random.default_rng(3)
    gain = rng.normal(9, 10, 200)
    feels = np.clip(np.round((gain + rng.normal(0, 9, 200)) / 9), -1, 2)
    return pd.DataFrame({"improvement": gain, "anchor": feels, "baseline": rng.normal(50, 14, 200)})


@pytest.fixture(scope="module")
def figures(invented, tested, anchored):
    torque = choose_endpoint(invented, "quadriceps_torque", week=26, criterion=None)
    found = find_thresholds(
        anchored, improved=[1, 2], slightly_better=[1], measurement_error=4, unit="points", draws=50
    )
    effect = complier_effect(invented, torque, randomised=True, modality=NMES)
    return {
        "agreement": agreement_figure(reliability(tested, unit="N·m"), "Quadriceps torque"),
        "thresholds": threshold_figure(found, "Score"),
        "anchor": anchor_figure(anchored, "Score", unit="points", names={-1.0: "worse", 0.0: "the same"}),
        "stopping": stopping_figure(time_to_stopping(invented)),
        "dose": dose_figure(home_dose(invented)),
        "adherence-classes": classes_figure(adherence_classes(invented)),
        "dose-change": dose_change_figure(adherence_association(invented, torque)),
        "home-dose-effect-neuromuscular-electrical-stimulation-nmes": effect_figure(effect),
    }


@pytest.fixture(scope="module")
def drawing_of(figures):
    """Give the drawing of a figure by name and width; each is drawn once."""
    return cache(lambda name, width: figures[name].drawing(width))


NAMES = [
    "agreement",
    "thresholds",
    "anchor",
    "stopping",
    "dose",
    "adherence-classes",
    "dose-change",
    "home-dose-effect-neuromuscular-electrical-stimulation-nmes",
]


@pytest.mark.parametrize("name", NAMES)
def test_a_sentence_with_numbers_a_caption_and_a_table(figures, name):
    figure = figures[name]
    assert figure.name == name
    assert len(re.findall(r"\d", figure.alt)) >= 3
    assert figure.alt.endswith(".")
    assert figure.caption.endswith(".")
    assert len(figure.data) == len(figure.table.cells()) > 0
    assert "nan" not in figure.alt + figure.caption


#: Columns of the table whose every number is drawn, and the factor from the table to the axes.
DRAWN = {
    "agreement": (["bias", "lower_limit", "upper_limit"], 1),
    "thresholds": (["estimate", "lower", "upper"], 1),
    "stopping": (["week", "share"], [1, 100]),
    "dose": (["mean", "lower", "upper"], 1),
    "adherence-classes": (["share", "lower", "upper"], 100),
    "home-dose-effect-neuromuscular-electrical-stimulation-nmes": (
        ["effect", "lower", "upper", "allocation_effect", "allocation_lower", "allocation_upper"],
        1,
    ),
}


@pytest.mark.parametrize("width", ["wide", "narrow"])
@pytest.mark.parametrize("name", DRAWN)
def test_every_number_of_the_table_is_drawn(figures, drawing_of, drawn, name, width):
    figure = figures[name]
    columns, factor = DRAWN[name]
    for column, times in zip(columns, np.broadcast_to(factor, len(columns)), strict=True):
        assert figure.data[column].notna().any()
        assert drawn.not_drawn(drawing_of(name, width), times * figure.data[column]) == [], column


@pytest.mark.parametrize("width", ["wide", "narrow"])
@pytest.mark.parametrize("name", NAMES)
def test_texts_are_inside_the_picture_apart_and_dark_and_axes_have_names(drawing_of, drawn, name, width):
    assert drawn.problems(drawing_of(name, width)) == []


def test_every_patient_is_a_dot_and_every_class_of_the_anchor_a_curve_up_to_all(figures, anchored, tested):
    dots = figures["dose-change"].drawing().axes[0].collections[0].get_offsets()
    assert len(dots) == figures["dose-change"].data["n"].max()
    pairs = [one.collections[0].get_offsets() for one in figures["agreement"].drawing().axes]
    assert [len(one) for one in pairs] == [8, 8, 8]
    first, second = (tested.loc[tested["occasion"] == f"day {k}", "value"].to_numpy() for k in (1, 2))
    np.testing.assert_allclose(np.sort(pairs[0][:, 1]), np.sort(second - first))
    curves = figures["anchor"].drawing().axes[0].lines
    for (_, group), line in zip(anchored.groupby("anchor"), curves, strict=True):
        assert line.get_ydata()[-1] == 100
        assert set(group["improvement"]) >= set(line.get_xdata()[1:-1])


def test_no_single_patient_is_in_a_table(figures, invented):
    ids = set(invented.patients["patient_id"])
    assert not any(figures[name].data.isin(ids).any().any() for name in NAMES)


def test_below_what_one_test_can_detect_is_said_in_words(anchored, drawn):
    """Error 4: detectable change 1.96 x root 2 x 4 = 11.1; error 0.5: 1.4."""
    large, small = (
        threshold_figure(find_thresholds(anchored, improved=[1, 2], measurement_error=e, draws=0), "Score")
        for e in (4, 0.5)
    )
    assert "4/4 are below what one test can detect, 11.1." in large.alt
    assert "is below what one test can detect" in large.caption
    assert large.message.endswith("4 of 4 are below what one test can detect")
    assert "0/4 are below what one test can detect, 1.4." in small.alt
    assert set(large.data["kind"]) == {"from the anchor: importance", "from spread and error: no importance"}
    none = threshold_figure(find_thresholds(anchored.drop(columns="baseline"), improved=[1, 2], draws=0), "Score")
    assert "No error of measurement was given" in none.caption
    assert not [text for text, _ in drawn.texts(none.drawing()) if "can detect" in text.get_text()]
    assert [text for text, _ in drawn.texts(large.drawing()) if "can detect" in text.get_text()]


def test_a_threshold_that_was_not_found_is_said(drawn):
    """The classes are separated, so that predictive modelling has no answer."""
    data = pd.DataFrame({"improvement": [0.0, 1, 2, 6, 7, 9, 20], "anchor": [0, 0, 0, 1, 1, 1, 1]})
    figure = threshold_figure(find_thresholds(data, improved=[1], draws=0), "Score")
    assert "predictive modelling" not in figure.alt
    missing = figure.data.set_index("method")["estimate"].isna()
    assert missing["predictive modelling"]
    assert drawn.not_drawn(figure.drawing("narrow"), figure.data["estimate"]) == []
    assert drawn.problems(figure.drawing("narrow")) == []


def test_reliability_tables_show_both_formulas_and_groups(tested):
    two = reliability(tested[tested["occasion"] != "day 3"], unit="N·m")
    cells = error_table(two).cells()
    assert cells.iloc[0].tolist() == ["one patient", "7.6 (5.0 to 15.4)", "17.6", "20.9"]
    assert cells["For"].tolist() == ["one patient", "mean of 8 patients", "mean of 30 patients"] * 3
    assert correlation_table(two).cells()["Form"].tolist() == [
        "ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)",
    ]  # fmt: skip
    assert "day 2 minus day 1 −2.8 on average" in agreement_figure(two, "Quadriceps torque").alt


def test_nobody_stopped_and_one_patient_are_drawn(drawn):
    sessions = pd.DataFrame({"patient_id": ["a", "b", "b"], "week": [1, 1, 2], "modality": "exercise"})
    sessions = sessions.assign(sessions_prescribed=5, sessions_done=4, minutes_done=80)
    visits = pd.DataFrame({"patient_id": ["a"], "week": 0, "measure": "pain", "limb": "none", "value": 5})
    cohort = Cohort(pd.DataFrame({"patient_id": ["a", "b"], "protocol": ["usual", "early"]}), visits, sessions=sessions)
    stopping = stopping_figure(time_to_stopping(cohort))
    assert "of 1 patient 0 never started, 0 stopped later, 1 was still going" in stopping.alt
    assert stopping.message == "Home sessions stopped or never started: 0 of 2 patients"
    dose, classes = dose_figure(home_dose(cohort)), classes_figure(adherence_classes(cohort))
    for width in ("wide", "narrow"):
        assert drawn.not_drawn(stopping.drawing(width), 100 * stopping.data["share"]) == []
        assert drawn.not_drawn(dose.drawing(width), dose.data["mean"]) == []
        assert drawn.not_drawn(classes.drawing(width), 100 * classes.data["share"]) == []
        assert [drawn.problems(one.drawing(width)) for one in (stopping, dose, classes)] == [[], [], []]


def test_a_protocol_without_sessions_on_record_has_no_shares_in_words(drawn):
    sessions = pd.DataFrame({"patient_id": ["a", "b", "b"], "week": [1, 1, 2], "modality": "exercise"})
    sessions = sessions.assign(sessions_prescribed=5, sessions_done=4, minutes_done=80)
    visits = pd.DataFrame({"patient_id": ["a"], "week": 0, "measure": "pain", "limb": "none", "value": 5})
    people = pd.DataFrame({"patient_id": ["a", "b", "c"], "protocol": ["usual", "usual", "none"]})
    cohort = Cohort(people, visits, sessions=sessions)
    for figure in (stopping_figure(time_to_stopping(cohort)), classes_figure(adherence_classes(cohort))):
        assert "none: no week with sessions prescribed and recorded" in figure.alt
        assert "0 patients" not in figure.alt
        assert drawn.problems(figure.drawing("wide")) == []


def test_the_slope_in_the_sentence_is_the_naive_one(figures, invented):
    row = adherence_association(
        invented, choose_endpoint(invented, "quadriceps_torque", week=26, criterion=None)
    ).table.iloc[0]
    slope = f"{row['slope']:+.3f}".replace("-", "−")
    assert f"slope {slope[:5]}" in figures["dose-change"].alt
    assert figures["dose-change"].data["cannot_say"].notna().all()


def test_where_everybody_did_the_same_there_is_no_slope(invented):
    """It read "slope – N·m/kg for all instead of none of the sessions (95 % interval –)", and a reversed slope of 0 (0 to 0)."""
    sessions = invented.sessions.assign(sessions_done=0.0)
    torque = choose_endpoint(invented, "quadriceps_torque", week=26, criterion=None)
    found = adherence_association(replace(invented, sessions=sessions), torque, modality="exercise")
    assert found.table[["slope", "lower", "upper"]].isna().all(axis=None)
    assert dose_change_figure(found).alt.endswith("patients: no slope can be given.")
