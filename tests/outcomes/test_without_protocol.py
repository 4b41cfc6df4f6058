"""Patients without a protocol: in no protocol's counts, and never in a protocol of the name nan."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis import outcomes, quality
from analysis.cohort import Cohort
from analysis.curves.recovery import fit_recovery
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.missing.missing_analyses import missing_data_analyses
from analysis.outcomes.missing.tipping_point import tipping_point
from analysis.outcomes.responders.better_or_worse import better_or_worse
from analysis.outcomes.responders.kept_response import reached_and_kept
from analysis.outcomes.responders.limb_symmetry import limb_symmetry
from analysis.outcomes.responders.repeated_responders import repeated_responders
from analysis.outcomes.responders.threshold_grid import threshold_grid
from analysis.outcomes.responders.time_to_response import time_to_response
from synthetic_cohort import generate_cohort

WRITTEN = (np.nan, "nan", "NaN", " ", "<NA>")

TABLES = {
    "curves": lambda one: fit_recovery(one, "pain").differences(),
    "responders": lambda one: outcomes.responders(one, "pain", week=26).table,
    "directions": lambda one: better_or_worse(one, choose_endpoint(one, "pain", week=26)).table,
    "kept": lambda one: reached_and_kept(one, choose_endpoint(one, "pain", week=26)).table,
    "time": lambda one: time_to_response(one, choose_endpoint(one, "pain", week=26)).table,
    "log-rank": lambda one: time_to_response(one, choose_endpoint(one, "pain", week=26)).comparison,
    "repeated": lambda one: repeated_responders(one, choose_endpoint(one, "pain", week=26)).table,
    "grid": lambda one: threshold_grid(one, choose_endpoint(one, "pain", week=26)).table,
    "symmetry": lambda one: (
        limb_symmetry(one, choose_endpoint(one, "quadriceps_torque", week=26, threshold=3.0, criterion="state")).table
    ),
    "gap": lambda one: (
        outcomes.gap_regained(one, choose_endpoint(one, "quadriceps_torque", week=26, criterion=None)).table
    ),
    "flow": lambda one: outcomes.patient_flow(one).allocated,
    "missing": lambda one: outcomes.missing_by_week(one, "pain").table,
    "patterns": lambda one: outcomes.missing_patterns(one, "pain").kinds,
    "patterns at the start": lambda one: outcomes.missing_patterns(one, "pain").baseline,
    "analyses": lambda one: missing_data_analyses(one, choose_endpoint(one, "pain", week=26), draws=2).differences,
    "tipping": lambda one: tipping_point(one, choose_endpoint(one, "pain", week=26, criterion=None), draws=2).table,
    "adherence": lambda one: outcomes.adherence_by_week(one).table,
    "events": lambda one: outcomes.events_by_protocol(one).table,
    "stopping": lambda one: outcomes.time_to_stopping(one).table,
}


@pytest.fixture(scope="module")
def cohorts():
    """A cohort in which five patients have no protocol, written in five ways, and the same without these patients; two
    measures at three weeks are quick to fit."""
    whole = generate_cohort(patients=90, seed=1).observed
    kept = whole.visits["measure"].isin(["pain", "quadriceps_torque"]) & whole.visits["week"].isin([0, 12, 26])
    whole = replace(whole, visits=whole.visits[kept])
    labels = whole.patients["protocol"].astype("object")
    lost = whole.patients.index[[3, 17, 40, 61, 88]]
    labels[lost] = list(WRITTEN)
    order = [*whole.protocols, *WRITTEN[1:]]
    with_gaps = replace(whole, patients=whole.patients.assign(protocol=pd.Categorical(labels, categories=order)))
    ids = whole.patients.loc[lost, "patient_id"]
    tables = {name: frame[~frame["patient_id"].isin(ids)] for name, frame in whole.tables()}
    return with_gaps, replace(whole, **tables)


@pytest.mark.parametrize("name", TABLES)
def test_they_change_no_table_of_the_protocols(cohorts, name):
    with_gaps, without = (TABLES[name](one) for one in cohorts)
    pd.testing.assert_frame_equal(with_gaps, without)


def test_they_have_no_protocol_whatever_stood_in_the_cell(cohorts):
    with_gaps, without = cohorts
    assert with_gaps.protocols == without.protocols
    assert int(with_gaps.patients["protocol"].isna().sum()) == len(WRITTEN)


def test_they_are_counted(cohorts):
    with_gaps = cohorts[0]
    said = "Of 90 patients 5 have no protocol and are in no count."
    assert said in outcomes.responders(with_gaps, "pain", week=26).notes
    assert "Without a protocol, 5 patients are left out." in fit_recovery(with_gaps, "pain").choices
    assert (
        "Without a protocol, 5 patients are left out."
        in tipping_point(with_gaps, choose_endpoint(with_gaps, "pain", week=26, criterion=None), draws=2).notes
    )
    by = quality.completeness(quality.expected_values(with_gaps), ["protocol"]).set_index("protocol")
    patterns = quality.visit_patterns(with_gaps)
    assert by.index[-1] == "not recorded"
    assert (patterns["protocol"] == "not recorded").sum() == 5


def test_a_site_that_was_not_recorded_is_no_site():
    patients = pd.DataFrame({"patient_id": ["a", "b"], "protocol": ["usual", "early"], "site": ["north", "nan"]})
    visits = pd.DataFrame({"patient_id": ["a", "b"], "week": 0, "measure": "pain", "limb": "none", "value": 4})
    assert Cohort(patients, visits).patients["site"].cat.categories.tolist() == ["north"]
