"""Sessions reported against sessions logged."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.errors import ModelError
from analysis.outcomes.home_programme.reported_adherence import reported_adherence
from synthetic_cohort import generate_cohort

from .cohort_of_sessions import cohort_of_sessions, weeks_done

ENTRIES = [
    *weeks_done("a", [5, 2, np.nan]),
    *weeks_done("b", [0, 0]),
    ("b", 3, "exercise", 0, 0),
    *weeks_done("c", [4]),
]
PROTOCOLS = {"a": "usual", "b": "usual", "c": "early"}


def said(*rows):
    return pd.DataFrame(rows, columns=["patient_id", "week", "sessions_reported"]).assign(modality="exercise")


REPORTED = said(("a", 1, 5), ("a", 2, 4), ("a", 3, 5), ("b", 1, 4), ("b", 2, 4), ("b", 3, 1), ("c", 1, 6), ("z", 1, 5))


@pytest.fixture
def found():
    return reported_adherence(cohort_of_sessions(ENTRIES, PROTOCOLS), REPORTED)


def test_by_patient_and_protocol(found):
    """a: 7 of 10 logged, 9 reported; b: 0 and 8; c: 4 of 5 and 6 of 5."""
    assert found.patients["difference"].tolist() == pytest.approx([0.2, 0.8, 0.4])
    usual = found.table.set_index("protocol").loc["usual"]
    assert usual[["n", "weeks", "sessions_prescribed", "sessions_logged", "sessions_reported"]].tolist() == [
        2,
        4,
        20,
        7,
        17,
    ]
    assert usual["mean"] == pytest.approx(0.5)
    assert usual["lower"] == pytest.approx(0.5 - 12.7062 * 0.3, rel=1e-4)  # t, 1 degree of freedom
    assert np.isnan(found.table.set_index("protocol").loc["early", "lower"])


def test_the_yes_or_no_differs(found):
    usual = found.yes_or_no.set_index("protocol").loc["usual"]
    assert usual[["n", "both", "reported_only", "logged_only", "neither"]].tolist() == [2, 0, 2, 0, 0]


def test_what_is_left_out_is_said(found):
    assert found.notes[0].startswith("5 weeks with sessions prescribed, logged and reported")
    assert "1 weeks are reported but not logged." in found.notes
    assert "In 1 weeks more was reported than prescribed: kept as it is." in found.notes
    assert "In 2 weeks nothing was prescribed or a number is missing." in found.notes


def test_the_excess_of_a_generated_cohort_is_the_one_it_was_made_with():
    """The scenario reports 45 % of the sessions not done as done: excess = 0.45 x (1 - logged share)."""
    made = generate_cohort(patients=1500, seed=9)
    table = reported_adherence(made.observed, made.reported_sessions).table
    excess = table["share_reported"] - table["share_logged"]
    assert excess.to_numpy() == pytest.approx((0.45 * (1 - table["share_logged"])).to_numpy(), abs=0.01)


def test_bad_reports_are_explained():
    cohort = cohort_of_sessions(ENTRIES, PROTOCOLS)
    with pytest.raises(ModelError, match="reported sessions lack the column 'sessions_reported'"):
        reported_adherence(cohort, REPORTED.drop(columns="sessions_reported"))
    with pytest.raises(
        ModelError, match=r"1 reported weeks come twice.*\n  where: the first: patient a, week 1, exercise"
    ):
        reported_adherence(cohort, pd.concat([REPORTED, REPORTED.head(1)]))
    with pytest.raises(ModelError, match=r"No reported week matches .*\n  where: 8 reported weeks, 7 logged ones"):
        reported_adherence(cohort, REPORTED.assign(modality="walking"))
    with pytest.raises(ModelError, match="Home sessions were not recorded"):
        reported_adherence(Cohort(cohort.patients, cohort.visits), REPORTED)
    with pytest.raises(ModelError, match="A share of 0 of the sessions prescribed cannot be enough"):
        reported_adherence(cohort, REPORTED, enough=0)
