"""Limits (<20) that were planted are counted in every report that takes them as values, where the values are shown."""

from dataclasses import replace

import pytest

from analysis.cohort import check_cohort
from analysis.report import one_patient, quality
from analysis.report.comparison import outcomes
from analysis.report.one_patient import study as patient_module
from analysis.report.parts.passages import Passage
from analysis.report.quality import study as quality_module

from .others.test_quarter_truths import plant as plant_quarters
from .others.test_quarter_truths import prepared
from .planted import plant as plant_visits


def with_limits(cohort, *, below=0, above=0, week=0.0):
    """Say of the first values of a week that they are limits."""
    at = cohort.visits.index[cohort.visits["week"] == week]
    bound = cohort.visits["measure"].astype("object").mask(lambda one: one.notna())
    bound[at[:below]] = "below"
    bound[at[below : below + above]] = "above"
    return replace(cohort, visits=cohort.visits.assign(bound=bound))


def sentences(section):
    return [text for part in section if isinstance(part, Passage) for text in part.paragraphs]


SAID = "3 of 100 values of quadriceps torque are limits (2 below, 1 above; week 12), each taken as its value: the true values lie beyond it."


@pytest.fixture(scope="module")
def limited():
    cohort = with_limits(plant_visits(patients=10), below=2, above=1, week=12.0)
    return replace(cohort, privacy="limited")


def test_a_comparison_says_it_beside_the_values(study_in_memory, limited):
    assert sentences(outcomes.measurements(study_in_memory(limited))) == [SAID]
    without = replace(limited, visits=limited.visits.drop(columns="bound"))
    assert sentences(outcomes.measurements(study_in_memory(without))) == []


def test_a_check_of_the_data_says_it(limited, monkeypatch):
    monkeypatch.setattr(quality_module, "load_with_findings", lambda folder: (limited, check_cohort(limited)))
    assert SAID in sentences(quality.values(quality.prepare_check("in memory")))


def test_the_page_of_a_patient_says_it_of_the_patient(limited, monkeypatch):
    monkeypatch.setattr(patient_module, "load_cohort", lambda folder: limited)
    patient = limited.visits.loc[limited.visits["bound"] == "below", "patient_id"].iloc[0]
    page = patient_module.prepare_patient("in memory", patient=patient, measures=["quadriceps_torque"])
    said = "1 of 5 values of quadriceps torque is a limit (1 below; week 12), taken as its value: the true value lies beyond it."
    assert said in sentences(one_patient.visits(page))


@pytest.mark.parametrize(("n", "said"), [(25, "25 values"), (7, "From 1 to 10 values")])
def test_a_quarter_says_it_and_hides_a_small_count(n, said, tmp_path):
    cohort = with_limits(plant_quarters(quarters=4, each=12), below=n)
    study = prepared(cohort, tmp_path)
    assert any(note.startswith(f"{said} of ") and "are limits (week 0)" in note for note in study.notes)
