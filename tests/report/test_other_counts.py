"""The appendix on responders: the same patients counted in other ways."""

from dataclasses import replace

import pandas as pd
import pytest

from analysis.cohort import write_cohort
from analysis.report.comparison import other_counts, prepare_study, symmetry
from analysis.report.tables import Table
from synthetic_cohort import generate_cohort


def tables(section):
    return {item.name: item for item in section if isinstance(item, Table)}


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    cohort = generate_cohort(patients=120, seed=5).observed
    return prepare_study(write_cohort(cohort, tmp_path_factory.mktemp("other") / "cohort"))


def test_the_ways_of_counting_start_from_the_difference_of_the_report(study):
    main = study.responders[-1].differences.set_index("protocol")
    side = tables(other_counts(study))["ways-of-counting"].data
    first = side[side["way"].str.startswith("as in the report")].set_index("protocol")
    assert list(first.index) == list(main.index)
    pd.testing.assert_frame_equal(first[["difference", "lower", "upper"]], main[["difference", "lower", "upper"]])
    assert set(side["way"].str.split(",").str[0]) == {
        "as in the report", "missing visits: non-response", "adjusted for the baseline and site", "all visits together",
    }  # fmt: skip


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


def test_one_protocol_and_no_torque_are_said(tmp_path):
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
    study = prepare_study(write_cohort(small, tmp_path / "cohort"), measure="ikdc")
    found = tables(other_counts(study))
    assert "ways-of-counting" not in found
    assert set(found) == {"directions", "kept", "first-reached"}
    assert "Not in the data: quadriceps torque of both limbs at week 26." in str(symmetry(study))
