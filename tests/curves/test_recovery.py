"""The model of the reports follows from the design of the cohort, and says why."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.curves.recovery import fit_recovery
from analysis.curves.recovery_choices import covariance_candidates, weeks_to_report
from analysis.errors import ModelError
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def trial():
    return generate_cohort("ligament reconstruction", patients=120, seed=2)


def cohort_of(patients, weeks, *, protocols=("usual", "early"), seed=0, baseline=True):
    """Give pain of ``patients`` at ``weeks``; weeks is a list, or a function of the generator giving each patient's."""
    generator = np.random.default_rng(seed)
    rows = []
    for number in range(patients):
        level = generator.normal(5, 1)
        own = weeks(generator) if callable(weeks) else weeks
        rows += [(f"p{number}", week, level - np.log1p(max(week, 0)) + generator.normal(0, 0.5)) for week in own]
    visits = pd.DataFrame(rows, columns=["patient_id", "week", "value"]).assign(measure="pain", limb="none")
    if not baseline:
        visits = visits[visits["week"] > 0]
    names = [protocols[number % len(protocols)] for number in range(patients)]
    listed = pd.DataFrame({"patient_id": [f"p{number}" for number in range(patients)], "protocol": names})
    return Cohort(listed, visits)


def test_a_trial_with_a_schedule_gets_the_unstructured_model_adjusted_for_baseline_and_site(trial):
    curves = fit_recovery(trial.observed, "quadriceps_torque")
    assert curves.model.converged
    assert curves.scheduled
    assert curves.baseline_adjusted
    assert curves.model.residual == "unstructured"
    assert (curves.frame["week"] > 0).all()
    assert any("site" in choice for choice in curves.choices)
    differences = curves.differences()
    assert list(differences["protocol"].unique()) == list(curves.protocols[1:])
    assert set(differences["method"]) == {"kenward-roger"}


def test_the_primary_differences_are_those_of_that_week(trial):
    curves = fit_recovery(trial.observed, "quadriceps_torque")
    by_week = curves.differences()
    primary = curves.primary_differences()
    expected = by_week[by_week["week"] == curves.primary_week]["estimate"].to_numpy()
    assert primary["estimate"].to_numpy() == pytest.approx(expected, rel=1e-9)


def test_another_reference_turns_the_difference_round(trial):
    first = fit_recovery(trial.observed, "quadriceps_torque")
    other = fit_recovery(trial.observed, "quadriceps_torque", reference=first.protocols[1])
    forward = first.primary_differences().set_index("protocol")
    back = other.primary_differences().set_index("protocol")
    name, reference = first.protocols[1], first.protocols[0]
    assert back.loc[reference, "estimate"] == pytest.approx(-forward.loc[name, "estimate"], rel=1e-6)
    assert back.loc[reference, "std_error"] == pytest.approx(forward.loc[name, "std_error"], rel=1e-5)


def test_few_patients_get_a_simpler_covariance_and_the_choices_say_why():
    curves = fit_recovery(cohort_of(12, [0, 2, 6, 12, 26]), "pain")
    assert curves.model.residual == "ar1-by-week"
    assert curves.model.converged
    assert [choice for choice in curves.choices if "unstructured" in choice] == [
        (
            "An unstructured covariance was not tried: 12 patients were seen at both week 2 and week 6, and it is "
            "tried from 16 on at every pair of the 4 weeks."
        )
    ]
    assert curves.choices[-1] == "Covariance within the patient: patient effects none, residual ar1-by-week."


def test_two_values_at_a_week_keep_a_variance_for_each_week():
    frame = cohort_of(40, [2, 6, 12, 26]).visits
    pairs, why = covariance_candidates(pd.concat([frame, frame.head(1)]), scheduled=True)
    assert pairs == [("1", "by-week"), ("1", "independent")]
    assert why == ["An unstructured covariance was not tried: some patients have two values at one week."]
    assert covariance_candidates(frame, scheduled=True)[0][0] == (None, "unstructured")


def test_one_variance_for_all_weeks_is_taken_last_and_the_choices_say_what_it_risks(monkeypatch):
    monkeypatch.setattr(
        "analysis.curves.recovery.covariance_candidates", lambda frame, *, scheduled: ([("1", "independent")], [])
    )
    curves = fit_recovery(cohort_of(12, [0, 2, 6, 12, 26]), "pain")
    assert curves.choices[-1] == (
        "Covariance within the patient: patient effects 1, residual independent. It has one variance for all weeks: "
        "where the spread changes over the weeks, intervals at single weeks are too narrow or too wide."
    )


def test_the_order_of_covariances_does_not_look_at_the_outcome():
    frame = cohort_of(12, [2, 6, 12, 26]).visits
    other = frame.assign(value=np.random.default_rng(1).normal(size=len(frame)))
    assert covariance_candidates(frame, scheduled=True) == covariance_candidates(other, scheduled=True)


def test_unscheduled_visits_get_a_smooth_curve_and_the_median_week():
    def own_weeks(generator):
        return [0.0, *np.sort(generator.uniform(1, 60, 4)).round(2)]

    curves = fit_recovery(cohort_of(40, own_weeks, seed=3), "pain")
    assert not curves.scheduled
    assert curves.primary_week == pytest.approx(curves.frame["week"].median())
    assert np.isfinite(curves.differences()["estimate"]).all()


def test_without_a_baseline_it_says_that_it_did_not_adjust():
    curves = fit_recovery(cohort_of(40, [0, 6, 12], baseline=False), "pain")
    assert not curves.baseline_adjusted
    assert curves.choices[0] == ("Not adjusted for the baseline: of 40 patients none has a value at or before week 0.")


def test_one_protocol_gives_means_and_no_differences():
    curves = fit_recovery(cohort_of(30, [0, 6, 12], protocols=("usual",)), "pain")
    assert len(curves.means()) == 2
    assert curves.differences().empty


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        pytest.param({"primary_week": 27}, "Nobody was seen at the primary week 27", id="week"),
        pytest.param({"reference": "surgery"}, "There is no protocol 'surgery'", id="reference"),
    ],
)
def test_what_cannot_be_is_refused(trial, wrong, said):
    with pytest.raises(ModelError, match=said):
        fit_recovery(trial.observed, "quadriceps_torque", **wrong)


def test_only_a_baseline_is_no_recovery():
    with pytest.raises(ModelError, match="at or before week 0"):
        fit_recovery(cohort_of(10, [0]), "pain")


def test_the_primary_week_is_reported_once_where_rounding_makes_another_of_it() -> None:
    middle = 28.177500000000002
    weeks = weeks_to_report(pd.Series(1, index=[1.0, 28.1775, middle, 40.0]), middle, scheduled=False)
    assert middle in weeks
    assert min(np.diff(weeks)) > 1e-9
