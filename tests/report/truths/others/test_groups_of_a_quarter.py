"""What a quarter says of groups of patients whose truth is planted: nobody behind, somebody behind, hidden, kept, not there."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.quarter.ledger.entries import read_ledger
from analysis.report import quarter

from .planted_quarters import plant, prepared


def grouped(cohort, *, behind=0.0, other=0.3):
    """Give patients a language, unrelated to all else but that ``behind`` of the improved with the other one do not improve."""
    people, rng = cohort.patients, np.random.default_rng(4)
    language = np.where(rng.random(len(people)) < other, "other", "usual")
    patients = people.assign(language=language)
    lost = set(patients.loc[(language == "other") & (rng.random(len(people)) < behind), "patient_id"])
    visits = cohort.visits.copy()
    late = visits["week"].eq(26.0) & visits["patient_id"].isin(lost)
    visits.loc[late, "value"] = 45.0
    return replace(cohort, patients=patients, visits=visits)


def said(section):
    return " ".join(text for one in section for text in getattr(one, "paragraphs", ()))


def test_nobody_behind_is_no_proof_and_says_how_many_were_compared(tmp_path):
    study = prepared(grouped(plant()), tmp_path)
    told = said(quarter.equity(study))
    assert (
        "Patients who started in 2025, by language. 2 comparisons were made; none shows a difference by more than chance"
        in told
    )
    assert "no proof that all fare alike" in told
    assert "cannot be shown" not in told


def test_those_left_behind_are_named_with_their_shares(tmp_path):
    study = prepared(grouped(plant(), behind=0.9), tmp_path)
    told = said(quarter.equity(study))
    assert "2 comparisons were made; 1 shows a difference by more than chance." in told
    assert "Improved, of those seen, by language: " in told
    assert "(other) to " in told
    (table,) = [one for one in quarter.equity(study) if not hasattr(one, "paragraphs")]
    assert table.data["group"].tolist() == ["other", "usual"]
    assert "(p <0.001, adjusted)" in told


def test_a_small_group_is_hidden_and_nothing_is_said_of_it(tmp_path):
    cohort = grouped(plant(each=20))
    few = cohort.patients["patient_id"].isin(
        cohort.patients.loc[cohort.patients["quarter"] == "2025-Q1", "patient_id"][:4]
    )
    patients = cohort.patients.assign(language=np.where(few, "third", cohort.patients["language"]))
    study = prepared(replace(cohort, patients=patients), tmp_path)
    told = said(quarter.equity(study))
    assert "cannot be shown because of small counts; how they fare is not known." in told
    (table,) = [one for one in quarter.equity(study) if not hasattr(one, "paragraphs")]
    assert table.data.set_index("group").loc["third", "followed"] == "hidden"
    assert "4/4" not in str(table)
    assert "4.0" not in table.to_csv().split("third")[1].splitlines()[0]


@pytest.mark.slow
def test_a_year_stands_as_it_was_released_and_other_definitions_are_refused(tmp_path):
    folder = tmp_path / "cohort"
    folder.mkdir()
    first = prepared(grouped(plant()), folder)
    quarter.record_release(first)
    assert [one.year for one in read_ledger(tmp_path / "cohort.releases.json").years] == ["2025"]
    again = prepared(grouped(plant()), folder)
    assert said(quarter.equity(again)) == said(quarter.equity(first))  # a report made again is as it was
    late = prepared(grouped(plant(quarters=17), behind=0.9), folder)
    assert late.equity.counts.kept
    assert late.equity.counts.table.equals(first.equity.counts.table)
    assert "Patients who started in 2025, as they were first released, by language." in said(quarter.equity(late))
    other = prepared(grouped(plant(quarters=17)), folder, threshold=5.0)
    assert "an earlier release told them by others" in said(quarter.equity(other))
    shown = prepared(grouped(plant(quarters=17), behind=0.9), folder, small_counts="shown")
    assert not shown.equity.counts.kept


@pytest.mark.parametrize(
    ("cohort", "told"),
    [
        (lambda: plant(), "sex, age, language and distance from home"),
        (lambda: grouped(plant(quarters=3)), "a calendar year all of whose patients were due"),
    ],
)
def test_what_is_not_there_is_said(cohort, told, tmp_path):
    study = prepared(cohort(), tmp_path)
    assert f"Not in the data: {told}" in said(quarter.equity(study))


def test_of_counts_without_patients_nothing_is_said_of_groups_or_curves(tmp_path):
    of_network = replace(prepared(plant(), tmp_path), equity=None, no_equity="", curves=None, no_curves="")
    assert quarter.equity(of_network).items == ()
    assert quarter.recovery(of_network).items == ()


def test_a_group_that_is_a_whole_site_is_not_told(tmp_path):
    """One site records no language: those without are its patients, whose counts the report may hide elsewhere."""
    cohort = grouped(plant(sites=("north", "south")))
    people = cohort.patients
    silent = people.assign(language=people["language"].where(people["site"] == "north"))
    study = prepared(replace(cohort, patients=silent), tmp_path)
    assert study.equity is None
    assert "by each kind on record a group is all patients of some sites, or all but a few" in said(
        quarter.equity(study)
    )
    both = silent.assign(sex=np.where(np.arange(len(people)) % 2, "female", "male"))
    study = prepared(replace(cohort, patients=both), tmp_path)
    assert study.equity.counts.kinds == ["sex"]
    told = said(quarter.equity(study))
    assert "Not told by language: a group there is all patients of some sites, or all but a few" in told
    open_to_the_team = prepared(replace(cohort, patients=both), tmp_path, small_counts="shown")
    assert open_to_the_team.equity.counts.kinds == ["sex", "language"]


def test_a_group_that_is_nearly_a_site_is_not_told(tmp_path):
    """Three patients of the other site have no language on record: the group without, less that site, would tell of them."""
    cohort = grouped(plant(sites=("north", "south")))
    people = cohort.patients
    recorded = (people["site"] == "north") & ~people["patient_id"].isin(
        people.loc[people["site"] == "north", "patient_id"][-3:]
    )
    study = prepared(replace(cohort, patients=people.assign(language=people["language"].where(recorded))), tmp_path)
    assert study.equity is None
    assert "by each kind on record a group is all patients of some sites, or all but a few" in said(
        quarter.equity(study)
    )
