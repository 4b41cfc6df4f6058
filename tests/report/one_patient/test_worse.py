"""One patient's page says first what is low throughout, what is worse than at the start, and who is lost."""

from dataclasses import FrozenInstanceError, replace

import numpy as np
import pandas as pd
import pytest

from analysis.report import one_patient
from analysis.report.one_patient import study
from analysis.report.one_patient.findings import OffVisit, find
from analysis.report.one_patient.patient_figure import _goals
from analysis.report.one_patient.worse import worse_in_words
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def page():
    """The page of a patient who was seen at every week of a schedule to week 52; torque and pain."""
    cohort = generate_cohort(patients=60, seed=3).observed
    weeks = cohort.visits[cohort.visits["value"].notna()].groupby("patient_id", observed=True)["week"].agg(set)
    patient = next(name for name, seen in weeks.items() if seen >= {0, 2, 6, 12, 26, 39, 52})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(study, "load_cohort", lambda folder: cohort)
        return study.prepare_patient("in memory", patient=str(patient), measures=["quadriceps_torque", "pain"])


def changed(page, **changes):
    """The page with other results, and with the findings made from them."""
    other = replace(page, **changes)
    return replace(other, findings=find(
        other.found, thresholds=other.thresholds, cohort=other.cohort, patient=other.patient, events=other.events, level=other.level,
    ))  # fmt: skip


def worse(page):
    return worse_in_words(page.findings)


def with_visits(page, measure, weeks, values, centiles):
    """The page with other visits of one measure, and of the others none that says anything."""
    nan = np.full(len(weeks), np.nan)
    visits = pd.DataFrame({"week": weeks, "value": values, "expected": nan, "lower": nan, "upper": nan})
    visits = visits.assign(centile=centiles, place=["start", *["within"] * (len(weeks) - 1)])
    found = [replace(one, visits=visits) for one in page.found if one.measure.name == measure]
    return changed(page, found=tuple(found))


WEEKS, NAN = [0.0, 6.0, 12.0, 26.0], float("nan")


def test_a_patient_low_at_every_visit_is_said_to_be(page):
    low = with_visits(page, "quadriceps_torque", WEEKS, [1.0, 1.0, 1.0, 1.0], [NAN, 1.9, 2.4, 2.6])
    assert worse(low) == [
        "Among the worst 2.5 % of comparable patients: quadriceps torque at 2 of 3 visits (weeks 6 and 12)."
    ]
    assert "Among the worst 2.5 %" in str(one_patient.answer(low))
    assert worse(with_visits(page, "quadriceps_torque", WEEKS, [1.0] * 4, [NAN, 97.6, 99.0, 50.0])) == []


def test_where_lower_is_better_the_upper_end_is_the_worse_one(page):
    high = with_visits(page, "pain", WEEKS, [3.0, 3.0, 3.0, 3.0], [NAN, 97.6, 1.0, 50.0])
    assert worse(high) == ["Among the worst 2.5 % of comparable patients: pain at 1 of 3 visits (week 6)."]


@pytest.mark.parametrize(
    ("measure", "values", "words"),
    [
        ("quadriceps_torque", [2.0, 1.63, 1.9, 2.1], ("quadriceps torque from 2.00 to 1.63 N·m/kg at week 6 (minimal detectable "
         "change 0.37), 2.10 at week 26")),
        ("quadriceps_torque", [2.0, 1.9, 1.8, 1.5], ("quadriceps torque from 2.00 to 1.50 N·m/kg at week 26 (minimal detectable "
         "change 0.37).")),
        ("quadriceps_torque", [2.0, 1.64, 1.9, 3.0], ""),
        ("pain", [3.0, 4.0, 5.0, 2.0], "pain from 3.0 to 5.0 points at week 12 (minimal important change 2), 2.0 at week 26"),
        ("pain", [3.0, 1.0, 0.0, 4.9], ""),
    ],
)  # fmt: skip
def test_what_is_worse_than_at_the_start_by_a_threshold_is_said(page, measure, values, words):
    said = worse(with_visits(page, measure, WEEKS, values, [NAN, 50.0, 50.0, 50.0]))
    assert ([f"Worse than at the start by a threshold or more: {words}".rstrip(".") + "."] if words else []) == said


def straight(page):
    """The page with pain as a measure that is best at 4 points, on both sides of which a patient is worse."""
    found = [replace(one, measure=replace(one.measure, ideal=4.0)) for one in page.found]
    return replace(page, found=tuple(found))


def test_of_a_measure_with_a_best_value_further_from_it_is_worse_on_either_side(page):
    """Pain, lower is better up to 4; the threshold is 2 points."""
    beyond = with_visits(straight(page), "pain", WEEKS, [3.0, 2.0, 0.9, 1.0], [NAN, 50.0, 50.0, 50.0])
    (said,) = worse(beyond)
    assert said.endswith(
        "or more: pain from 3.0 to 0.9 points at week 12 (minimal important change 2), 1.0 at week 26."
    )
    crossed = with_visits(straight(page), "pain", WEEKS, [6.0, 2.0, 5.0, 7.9], [NAN, 50.0, 50.0, 50.0])
    assert worse(crossed) == []


def test_less_far_beyond_the_best_value_than_others_is_not_worst(page):
    """Of pain that is best at 4, centiles at the upper end, where lower is better: 3 lies beyond 4, 6 does not."""
    values, centiles = [5.0, 3.0, 3.0, 6.0], [NAN, 99.0, 98.0, 99.0]
    said = worse(with_visits(straight(page), "pain", WEEKS, values, centiles))
    assert said == ["Among the worst 2.5 % of comparable patients: pain at 1 of 3 visits (week 26)."]


@pytest.mark.parametrize(
    ("values", "change", "against"),
    [
        ([8.0, 7.0, 5.0, 2.0], "−6.0", "improved by the threshold"), ([8.0, 7.0, 5.0, 0.5], "−7.5", "less than the threshold"),
        ([3.0, 3.0, 2.0, 1.0], "−2.0", "worse by the threshold"), ([6.1, 6.0, 5.0, 4.1], "−2.0", "improved by the threshold"),
    ],
)  # fmt: skip
def test_the_last_visit_against_the_threshold_is_judged_by_nearness(page, values, change, against):
    one = with_visits(straight(page), "pain", WEEKS, values, [NAN, 50.0, 50.0, 50.0])
    table, _ = one_patient.thresholds(one)
    row = table.data.iloc[0]
    assert (row["change"], row["reached"]) == (change, against)


@pytest.mark.parametrize(
    ("ideal", "start", "goals"),
    [(None, 6.0, [4.0]), (4.0, 7.0, [3.0, 5.0]), (4.0, 1.0, [3.0, 5.0]), (4.0, 5.0, []), (4.0, 6.0, [4.0])],
)
def test_the_lines_of_the_threshold_lie_on_both_sides_of_the_best_value(page, ideal, start, goals):
    (measure,) = [one.measure for one in page.found if one.measure.name == "pain"]
    assert _goals(replace(measure, ideal=ideal), start, 2.0) == pytest.approx(goals)


def test_a_patient_not_seen_at_the_last_weeks_is_lost_or_not_yet_due(page):
    kept = ~((page.cohort.visits["patient_id"] == page.patient) & (page.cohort.visits["week"] > 12))
    gone = changed(page, cohort=replace(page.cohort, visits=page.cohort.visits[kept]), found=())
    assert worse(gone) == ["Lost, or not yet due: not seen after week 12; visits are scheduled at weeks 26, 39 and 52."]
    assert "Lost, or not yet due" in str(one_patient.answer(gone))
    assert worse(changed(page, found=())) == []


def test_a_value_just_outside_its_limits_is_not_shown_as_one_of_them(page):
    near = with_visits(page, "pain", WEEKS, [3.0, 5.04, 3.0, 3.0], [NAN, 50.0, 50.0, 50.0])
    (one,) = near.found
    visits = one.visits.assign(expected=3.0, lower=1.0, upper=5.02)
    visits.loc[1, "place"] = "above"
    said = str(one_patient.answer(changed(near, found=(replace(one, visits=visits),))))
    assert "5.04 points at week 6, above 1.00 to 5.02 (worse than expected)" in said


def off_the_curve(page, marks):
    """The page with pain at seven visits: so many of those after the start above 1 to 3, at this centile of the others."""
    one = next(one for one in page.found if one.measure.name == "pain")
    place = ["start", *("above" if k < len(marks) else "within" for k in range(6))]
    centiles = [NAN, *marks, *[50.0] * (6 - len(marks))]
    visits = pd.DataFrame({"week": [0.0, 2.0, 6.0, 12.0, 26.0, 39.0, 52.0], "value": 5.0, "expected": [NAN, *[2.0] * 6], "lower": 1.0,
                           "upper": 3.0, "centile": centiles, "place": place})  # fmt: skip
    return changed(page, found=(replace(one, visits=visits),))


@pytest.mark.parametrize(
    ("marks", "words"),
    [([98.0], "recovery, so a single mark says little."), ([98.0] * 3, "recovery; here 3 are."), ([], "recovery.")],
)
def test_many_marks_are_not_called_single_ones(page, marks, words):
    said = str(one_patient.answer(off_the_curve(page, marks)))
    assert f"By chance alone about 0.3 of 6 values would be marked in an ordinary {words}" in said
    figure = next(iter(one_patient.curves(off_the_curve(page, marks))))
    assert figure.message == {0: "Of 6 values none is", 1: "Of 6 values 1 is", 3: "Of 6 values 3 are"}[len(marks)] + (
        " off the expected curve"
    )


def test_worse_than_the_own_earlier_visits_is_not_taken_for_worse_than_the_others(page):
    """Pain of 5 above the 1 to 3 that the earlier visits led to expect, and still less than in 80 of 100 others."""
    said = str(one_patient.answer(off_the_curve(page, [98.0, 20.0])))
    assert "5.0 points at week 2, above 1.0 to 3.0 (worse than expected)" in said
    assert "(worse than expected from the earlier visits; centile of the others 20th)" in said


def test_a_patient_who_has_just_begun_is_not_said_to_be_compared(page):
    begun = [replace(one, visits=one.visits[one.visits["week"] <= 0]) for one in page.found]
    said = str(one_patient.subtitle(changed(page, found=tuple(begun))))
    assert "1 visit, week 0; 2 measures at the start" in said
    assert "7 visits, weeks 0 to 52; 2 measures compared" in str(one_patient.subtitle(page))
    half = str(one_patient.subtitle(changed(page, found=(begun[0], page.found[1]))))
    assert "7 visits, weeks 0 to 52; 1 of 2 measures compared" in half


def test_in_short_figure_and_slide_speak_from_the_same_findings(page):
    """Findings by hand, which no visit of the page bears out: whatever claims reads them, and nothing else does."""
    pain = next(one for one in page.findings.measures if one.measure.name == "pain")
    visit = OffVisit(week=26.0, value=9.0, lower=1.0, upper=3.0, place="above", centile=99.5)
    told = replace(pain, compared=6, off=(visit,), outer=(26.0,), placed=6, last_week=26.0, last_value=9.0, ahead=None)
    other = replace(page, findings=replace(page.findings, measures=(told,), missed=(39.0, 52.0), last_seen=26.0))
    said = str(one_patient.answer(other))
    assert said.startswith(
        "Off the expected curve: 1 of 6 values. Pain: 9.0 points at week 26, above 1.0 to 3.0 (worse"
    )
    assert "Among the worst 2.5 % of comparable patients: pain at 1 of 6 visits (week 26)." in said
    assert "not seen after week 26; visits are scheduled at weeks 39 and 52." in said
    figure = next(iter(one_patient.curves(other)))
    assert figure.message == "Of 6 values 1 is off the expected curve"
    assert figure.alt.startswith("Pain: 9.0 points at week 26")
    assert "; above what was expected at week 26." in figure.alt
    with pytest.raises(FrozenInstanceError):
        other.findings.level = 0.5
