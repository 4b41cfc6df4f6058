"""A registry counted part by part gives what its whole cohort gives; the sample depends on identifiers and seed only."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from analysis.cohort import write_cohort
from analysis.curves import fit_recovery
from analysis.errors import CohortError
from analysis.pooled.comparison import compare_from_sums
from analysis.pooled.counting import cohort_sums
from analysis.pooled.planning import plan_pooling
from analysis.pooled.registry import registry_sums, survey_registry
from analysis.report.registry import prepare_registry
from synthetic_cohort import generate_cohort

from .sites_of import with_sites


@pytest.fixture(scope="module")
def cohort():
    return with_sites(generate_cohort(patients=150, seed=3).observed, 4)


@pytest.fixture(scope="module")
def folder(cohort, tmp_path_factory):
    return write_cohort(cohort, tmp_path_factory.mktemp("registry") / "c", file_format="parquet", partition="site")


def test_sums_of_parts_are_those_of_the_whole(cohort, folder):
    plan = replace(plan_pooling(cohort, "ikdc", week=26, adjust_for=["site"]), k=0)
    sums, moments, parts = registry_sums(folder, plan)
    whole = cohort_sums(cohort, plan)
    for name, table in whole.tables.items():
        if name != "recorded":
            assert_frame_equal(sums.tables[name], table, rtol=1e-10, atol=1e-10)
    assert parts["patients"].sum() == 150
    assert parts["left_out"].sum() == 0
    found = compare_from_sums(sums, moments)
    direct = fit_recovery(cohort, "ikdc", adjust_for=["site"]).differences()
    numbers = ["estimate", "std_error", "df"]
    assert np.allclose(found.differences[numbers], direct[numbers], rtol=1e-8, atol=1e-8)


@pytest.mark.slow
def test_who_is_drawn_does_not_depend_on_the_parts(cohort, folder, tmp_path):
    one = write_cohort(cohort, tmp_path / "one")
    other = write_cohort(cohort, tmp_path / "other", file_format="parquet", partition="sex")
    drawn = [
        set(survey_registry(place, patients=40, seed=seed).sample.patients["patient_id"])
        for place, seed in ((folder, 1), (one, 1), (other, 1), (folder, 2))
    ]
    assert [len(some) for some in drawn] == [40] * 4
    assert drawn[0] == drawn[1] == drawn[2]
    assert len(drawn[0] & drawn[3]) < 25  # about 40 * 40 / 150 = 11 by chance


def test_the_sample_has_all_rows_of_its_patients(cohort, folder):
    sample = survey_registry(folder, patients=40).sample
    inside = set(sample.patients["patient_id"])
    for name, table in cohort.tables():
        if name != "patients":
            assert len(dict(sample.tables())[name]) == table["patient_id"].isin(inside).sum()
    everybody = survey_registry(folder, patients=1_000)
    assert len(everybody.sample.patients) == everybody.n_patients == 150
    assert everybody.n_parts == 4


@pytest.mark.slow
def test_names_of_every_part_are_known(cohort, tmp_path):
    """One patient has an event that nobody drawn has."""
    drawn = survey_registry(write_cohort(cohort, tmp_path / "a"), patients=20).sample.patients["patient_id"]
    other = next(one for one in cohort.patients["patient_id"] if one not in set(drawn))
    events = cohort.events[["patient_id", "week", "event"]].astype({"event": "str"})
    events.loc[len(events)] = [other, 5.0, "fall on ice"]
    folder = write_cohort(replace(cohort, events=events), tmp_path / "b", file_format="parquet", partition="site")
    survey = survey_registry(folder, patients=20)
    assert "fall on ice" in survey.names["events"]
    assert survey.sites == tuple(sorted(cohort.patients["site"].unique()))
    plan = plan_pooling(survey.sample, "ikdc", week=26, also={"events": survey.names["events"]})
    sums, _, _ = registry_sums(folder, replace(plan, k=0))
    assert sums.tables["harms"].xs("fall on ice", level="event")["events"].sum() == 1


@pytest.mark.parametrize("patients", [0, -1, True])
def test_a_sample_of_nobody_is_refused(folder, patients):
    with pytest.raises(CohortError, match="cannot be drawn"):
        survey_registry(folder, patients=patients)


@pytest.mark.slow
def test_what_one_patient_of_all_has_is_planned_for(cohort, tmp_path):
    """A protocol, a week of a visit and a week of home sessions, each of one patient who is not in the sample."""
    drawn = set(survey_registry(write_cohort(cohort, tmp_path / "a"), patients=20).sample.patients["patient_id"])
    people, visits, sessions = cohort.patients, cohort.visits, cohort.sessions
    last = visits[(visits["measure"] == "ikdc") & (visits["week"] == visits["week"].max())]["patient_id"]
    (visit, *_), (protocol, session, *_) = (
        [one for one in people["patient_id"] if one not in drawn and (one in set(last)) == there]
        for there in (True, False)
    )
    people = people.assign(protocol=people["protocol"].astype("str").mask(people["patient_id"] == protocol, "rare"))
    moved = (visits["patient_id"] == visit) & (visits["measure"] == "ikdc") & (visits["week"] == visits["week"].max())
    late = sessions[sessions["patient_id"] == session].tail(1).assign(week=150)
    changed = replace(
        cohort,
        patients=people,
        visits=visits.assign(week=visits["week"].mask(moved, 60.0)),
        sessions=pd.concat([sessions, late], ignore_index=True),
    )
    folder = write_cohort(changed, tmp_path / "b", file_format="parquet", partition="site")
    survey = survey_registry(folder, patients=20)
    assert len(survey.sample.patients) == 20
    assert {protocol, session} <= set(survey.like.patients["patient_id"])
    assert survey.like.patients["patient_id"].is_unique
    study = prepare_registry(folder, measure="ikdc", sample=20)
    assert "rare" in study.whole.compared.plan.protocols
    assert study.whole.compared.n_patients == 150
    assert 150.0 in study.whole.compared.plan.programme_weeks
    assert moved.sum() == 1
    assert 60.0 in study.whole.compared.plan.moments.weeks
