"""What stands under the figures of a comparison and above them on slides, of findings made by hand and of a planted one."""

from dataclasses import replace

import pytest

from analysis.cohort.catalogue import load_catalogue
from analysis.report import Figure, comparison
from analysis.report.comparison.findings.figure_words import (
    analyses_words,
    differences_by_week_words,
    harm_words,
    harms_title,
    means_title,
    means_words,
    missing_title,
    missing_words,
    shifts_words,
)
from analysis.report.comparison.findings.finding import Difference, Findings, Mean, Seen, Shift
from analysis.report.parts import numbers

from ...truths.planted import better, plant, share

NAN = float("nan")
TORQUE = load_catalogue()["quadriceps_torque"]
EARLY = Difference(
    "early", "usual", 26.0, 0.3, 0.1, 0.5, 0.01, 2, None, None, "favours protocol", 2.3, 2.0, 1, 5, (0.15, 0.45), 3, 4,
    (0.2, 0.4), Shift(-0.004, -1.0, 1.0, True, 6),
)  # fmt: skip
LATE = replace(
    EARLY, protocol="late", estimate=0.1, lower=-0.1, upper=0.3, verdict="undecided", alone=(-0.05, 0.25), apart=0,
    turned_by=0, shift=Shift(NAN, -1.0, 1.0, False, 6),
)  # fmt: skip
FOUND = Findings(
    seen=(Seen("usual", 20, 30), Seen("early", 28, 30), Seen("late", 27, 30)), differences=(EARLY, LATE), courses=(),
    responders=None, opposite=(), imbalance=(), unusual=(), at_best=(), no_room=(), tips=(),
    harms=(("usual", 0, 3, 30), ("early", 1, 5, 30), ("late", 0, 3, 30)), primary_week=26.0,
    means=(Mean("usual", 2.0, 1.9, 2.1), Mean("early", 2.3, 2.2, 2.4), Mean("late", NAN, NAN, NAN)),
)  # fmt: skip


def test_the_figures_say_what_the_findings_hold():
    assert means_words(FOUND, TORQUE, level=0.95) == (
        "At week 26 the model means in N·m/kg are: usual 2.00 (95 % interval 1.90 to 2.10); early 2.30 (95 % interval 2.20 to "
        "2.40); late: none."
    )
    assert means_title(FOUND, TORQUE) == "Mean quadriceps torque (N·m/kg) at week 26: usual 2.00, early 2.30"
    long = replace(FOUND, means=tuple(replace(one, protocol=one.protocol * 9) for one in FOUND.means))
    assert means_title(long, TORQUE) == "Mean quadriceps torque (N·m/kg) at week 26: 2.00 to 2.30"
    assert differences_by_week_words(FOUND, TORQUE, level=0.95).startswith(
        "Early minus usual at week 26: +0.30 N·m/kg (95 % interval 0.10 to 0.50 adjusted for 2 comparisons, 0.15 to 0.45 as "
        "drawn); the interval drawn leaves out zero at 3 of 4 weeks with one. Late minus usual"
    )
    assert "leaves out zero at none of 4 weeks" in differences_by_week_words(FOUND, TORQUE, level=0.95)
    assert analyses_words(FOUND, TORQUE) == (
        "Early: differences from +0.20 to +0.40 N·m/kg; the interval by the curves leaves out zero; 1 of 5 other analyses changes "
        "that. Late: differences from +0.20 to +0.40 N·m/kg; the interval by the curves holds zero; none of 5 other analyses "
        "changes that."
    )
    assert harm_words(FOUND) == (
        "Patients with a serious harm on record: usual 0/30; early 1/30; late 0/30. With another harm: usual 3/30; early 5/30; "
        "late 3/30."
    )
    assert missing_words(FOUND) == "Missing at week 26: usual 10/30 (33 %); early 2/30 (7 %); late 3/30 (10 %)."


def test_a_shift_too_small_to_be_shown_is_not_called_none_and_one_of_nobody_is_not_spoken_of():
    """It read "a shift of 0.00 N·m/kg changes that", and of nobody missing "no shift from -19 to 19 changes that"."""
    assert shifts_words(FOUND, TORQUE) == (
        "Early: without a shift the interval leaves out zero; a shift of less than 0.01 N·m/kg changes that. Late: without a "
        "shift the interval holds zero; no shift from −1.00 to 1.00 N·m/kg changes that."
    )
    nobody = replace(FOUND, differences=(replace(EARLY, shift=replace(EARLY.shift, shifted=0)),))
    assert shifts_words(nobody, TORQUE) == "Early: no value is missing, so nothing is shifted."


def test_of_one_comparison_nothing_is_adjusted_and_of_none_nothing_is_said():
    alone = replace(FOUND, differences=(replace(EARLY, among=1),))
    assert "adjusted" not in differences_by_week_words(alone, TORQUE, level=0.95)
    nothing = replace(FOUND, differences=(), means=(), seen=(), harms=())
    for words in (analyses_words, shifts_words, means_title):
        assert words(nothing, TORQUE) == ""
    assert [missing_words(nothing), missing_title(nothing), harm_words(nothing)] == ["", "", ""]


@pytest.mark.parametrize(
    ("names", "harms", "missing"),
    [
        (("usual", "early", "late"), "Serious harm on record: usual 0/30, early 1/30, late 0/30",
         "Missing at week 26: usual 10/30, early 2/30, late 3/30"),
        (("exercise only", "home stimulation and early motion", "home stimulation with a brace at night"),
         "Serious harm on record: 1 of 90 patients, most often with home stimulation and early motion (1/30)",
         "Missing at week 26: 15 of 90 patients, most often with exercise only (10/30)"),
        (("a", "b " * 50, "c"), "Serious harm on record: 1 of 90 patients", "Missing at week 26: 15 of 90 patients, most often with a (10/30)"),
    ],
)  # fmt: skip
def test_titles_say_which_protocol_and_how_many_of_how_many(names, harms, missing):
    seen = tuple(replace(one, protocol=name) for one, name in zip(FOUND.seen, names, strict=True))
    counts = tuple((name, *one[1:]) for one, name in zip(FOUND.harms, names, strict=True))
    found = replace(FOUND, seen=seen, harms=counts)
    assert harms_title(found) == harms
    if len(names[1]) < 60:
        assert missing_title(found).startswith(missing)
    none = replace(FOUND, harms=tuple((name, 0, 0, of) for name, _, _, of in counts))
    assert harms_title(none) == "No harm is on record of 90 patients"


def test_the_figures_of_a_report_speak_from_the_findings_of_its_study(study_in_memory):
    """Three protocols, one of them better: sizes are those of the tables, and nothing else is claimed."""
    planted = plant(protocols=("usual", "early", "late"), effect=better(0.35), lose=share({"late": 0.2, "early": 0.1}))
    study = study_in_memory(planted, imputations=2, design="randomised")
    assert study.found is study.found
    sections = (comparison.recovery, comparison.differences, comparison.sensitivity, comparison.missing)
    figures = {one.name: one for section in sections for one in section(study) if isinstance(one, Figure)}
    primary = study.primary.astype({"protocol": "str"}).set_index("protocol")
    for name in ("early", "late"):
        adjusted, drawn = (
            numbers.interval(*primary.loc[name, [f"{which}lower", f"{which}upper"]], 2) for which in ("adjusted_", "")
        )
        assert f"(95 % interval {adjusted} adjusted for 2 comparisons, {drawn} as drawn)" in figures["differences"].alt
    apart = figures["differences"].data.query("protocol == 'early' and lower > 0 or protocol == 'early' and upper < 0")
    assert f"leaves out zero at {len(apart)} of 4 weeks" in figures["differences"].alt
    assert "of 5 other analyses" in figures["missing-analyses"].alt
    assert "without a shift the interval leaves out zero" in figures["tipping-point"].alt
    at = study.missing.table.query("week == 26").set_index("protocol")
    assert f"late {at.loc['late', 'missing']}/60" in figures["missing"].alt
    assert figures["missing"].message.startswith("Missing at week 26: usual ")
    assert "Lines of quadriceps torque from week 0 to week 52" in figures["recovery"].alt
    assert figures["recovery"].message.startswith("Mean quadriceps torque (N·m/kg) at week 26: usual ")
