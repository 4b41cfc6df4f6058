"""Only what was known before the start balances protocols: the rest is refused by where it stands."""

import pandas as pd
import pytest

from analysis.errors import ModelError
from analysis.outcomes.unrandomised.known_before import with_known_before
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def full():
    return generate_cohort("ligament reconstruction", patients=60, seed=2).observed


@pytest.mark.parametrize(
    ("covariate", "message", "advice"),
    [
        ("sessions_done", "'sessions_done' stands in the home sessions of the cohort", "baseline"),
        ("exercise", "'exercise' stands in the home sessions of the cohort", "baseline"),
        ("event", "'event' stands in the events of the cohort", "baseline"),
        ("flexion_limit_deg", "'flexion_limit_deg' stands in the brace limits of the cohort", "baseline"),
        ("week", "'week' stands in the visits of the cohort", "baseline"),
        ("pain", "'pain' is measured at visits, also after the start", 'Name its start: "baseline(pain)".'),
        ("adherence", "'adherence' says what was done after the protocol began", "known before the start"),
        ("baseline(mood)", "There is no measure 'mood' taken at week 0 or before", "Name one of them"),
    ],
)
def test_what_was_known_after_the_start_is_refused(full, covariate, message, advice):
    with pytest.raises(ModelError, match=message.replace("(", r"\(")) as raised:
        with_known_before(full, "quadriceps_torque", [covariate])
    assert advice in raised.value.what_to_do


def test_a_column_of_the_patients_that_says_it_came_later_is_refused(full):
    from dataclasses import replace

    late = replace(full, patients=full.patients.assign(mean_adherence=0.5))
    with pytest.raises(ModelError, match="'mean_adherence' says what was done after the protocol began"):
        with_known_before(late, "pain", ["mean_adherence"])


def test_the_baseline_is_always_there_once_as_a_curve(full):
    for named in ([], ["baseline"], ["spline(baseline)"], ["baseline(quadriceps_torque)"]):
        _, asked, shown, said = with_known_before(full, "quadriceps_torque", named)
        assert asked == ["spline(baseline)"]
        assert shown == {"spline(baseline)": "a curve of the baseline"}
        assert said == []


def test_the_start_of_another_measure(full):
    known, asked, _, _ = with_known_before(full, "pain", ["baseline(knee_flexion)"])
    assert asked[-1] in ("baseline_of_knee_flexion", "spline(baseline_of_knee_flexion)")
    at_start = full.visits[(full.visits["measure"] == "knee_flexion") & (full.visits["week"] <= 0)]
    at_start = at_start[at_start["limb"] == "involved"].sort_values("week").drop_duplicates("patient_id", keep="last")
    expected = pd.Series(known.patients["patient_id"]).map(at_start.set_index("patient_id")["value"])
    assert known.patients["baseline_of_knee_flexion"].to_numpy() == pytest.approx(expected.to_numpy(), nan_ok=True)


def test_without_a_baseline_a_sentence_says_so(make_cohort):
    cohort = make_cohort({"usual": [1, 2, 3], "early": [4, 5, 6]}, baselines=[None] * 5 + [50.0])
    _, asked, _, said = with_known_before(cohort, "ikdc", [])
    assert asked == []
    assert said == ["Not adjusted for the baseline: of 6 patients 1 has one."]
    with pytest.raises(ModelError, match="The baseline cannot be balanced"):
        with_known_before(cohort, "ikdc", ["baseline"])
