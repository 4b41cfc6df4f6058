"""The appendix on responders: the same patients counted in other ways."""

from dataclasses import replace

import pandas as pd
import pytest

from analysis.outcomes.responders.stratified_difference import stratified_responders
from analysis.report.comparison import other_counts, symmetry
from analysis.report.parts.tables import Table
from synthetic_cohort import generate_cohort


def tables(section):
    return {item.name: item for item in section if isinstance(item, Table)}


@pytest.fixture(scope="module")
def study(study_in_memory):
    cohort = generate_cohort(patients=120, seed=5).observed
    return study_in_memory(cohort, measure="ikdc")


def test_the_ways_of_counting_start_from_the_difference_of_the_report(study):
    main = study.responders[-1].differences.set_index("protocol")
    side = tables(other_counts(study))["ways-of-counting"].data
    first = side[side["way"].str.startswith("as in the report")].set_index("protocol")
    assert list(first.index) == list(main.index)
    pd.testing.assert_frame_equal(first[["difference", "lower", "upper"]], main[["difference", "lower", "upper"]])
    assert set(side["way"].str.split(",").str[0]) == {
        "as in the report", "missing visits: non-response", "adjusted for the baseline and site", "within sites",
        "all visits together",
    }  # fmt: skip


def test_the_difference_within_sites_stands_beside_the_others(study):
    shown = tables(other_counts(study))["ways-of-counting"]
    found = study.responders[-1]
    expected = stratified_responders(study.cohort, found).set_index("protocol")
    within = shown.data[shown.data["way"] == "within sites"].set_index("protocol")
    columns = ["difference", "lower", "upper"]
    pd.testing.assert_frame_equal(within[columns], expected.loc[within.index, columns], check_names=False)
    first = expected.iloc[0]
    assert any(
        note.startswith(f"Within sites, {first.name}: {first['strata']} sites with patients of both protocols; ")
        for note in shown.notes
    )


def test_one_site_needs_no_strata(study):
    alone = replace(study, cohort=replace(study.cohort, patients=study.cohort.patients.assign(site="A")))
    assert "within sites" not in set(tables(other_counts(alone))["ways-of-counting"].data["way"])


def test_a_protocol_alone_at_its_sites_is_said(study):
    patients = study.cohort.patients
    apart = patients.assign(site=patients["protocol"].astype("str"))
    shown = tables(other_counts(replace(study, cohort=replace(study.cohort, patients=apart))))["ways-of-counting"]
    assert "within sites" not in set(shown.data["way"])
    assert sum("at no site patients of both protocols were counted" in note for note in shown.notes) == 2


def test_two_weeks_of_the_same_patients(study):
    """The visit before the primary week; those judged at both are fewer than those judged at one."""
    table = tables(other_counts(study))["two-weeks"]
    found = study.responders[-1]
    assert f"at week 12 and at week {found.endpoint.week:g}" in table.caption
    at_week = found.table.set_index("protocol")["n"]
    shown = table.data.set_index("protocol")
    assert (shown["n"] <= at_week[shown.index]).all()
    assert ((shown["gained"] - shown["lost"]) / shown["n"]).tolist() == pytest.approx(shown["difference"].tolist())


def test_missing_visits_as_non_response_have_every_patient_in_the_denominator(study):
    side = tables(other_counts(study))["ways-of-counting"].data
    row = side[side["way"] == "missing visits: non-response"].iloc[0]
    allocated = study.flow.allocated.set_index("protocol")["allocated"]
    assert row["n"] == allocated[row["protocol"]]
    assert row["reference_n"] == allocated[row["reference"]]


def test_better_unchanged_and_worse_are_all_the_patients_seen(study):
    both = tables(other_counts(study))["directions"].data
    seen = study.responders[-1].table.set_index("protocol")["n"]
    assert both.groupby("protocol", observed=True)["patients"].sum().to_dict() == seen.to_dict()


def test_symmetry_stands_beside_the_torque_and_the_other_limb_before(study):
    lines = tables(symmetry(study))["symmetry"].data["line"]
    assert list(dict.fromkeys(lines)) == [
        "limb symmetry index: 90 % or more",
        "torque: 3 N·m/kg or more",
        "share of the other limb before the start: 90 % or more",
        "symmetry reached, share of the limb before not",
    ]


def test_one_protocol_and_no_torque_are_said(study_in_memory):
    cohort = generate_cohort(patients=60, seed=2).observed
    only = cohort.patients["protocol"] == cohort.protocols[0]
    patients = cohort.patients[only]
    keep = set(patients["patient_id"])
    tables_of = {
        name: getattr(cohort, name)[getattr(cohort, name)["patient_id"].isin(keep)]
        for name in ("visits", "sessions", "brace_limits", "events")
    }
    visits = tables_of["visits"]
    tables_of["visits"] = visits[visits["measure"] != "quadriceps_torque"]
    small = replace(cohort, patients=patients, **tables_of)
    study = study_in_memory(small, measure="ikdc")
    found = tables(other_counts(study))
    assert "ways-of-counting" not in found
    assert set(found) == {"directions", "kept", "two-weeks", "first-reached"}
    assert "Not in the data: quadriceps torque of both limbs at week 26." in str(symmetry(study))
