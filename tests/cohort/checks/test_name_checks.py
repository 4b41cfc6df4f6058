"""Names and identifiers that a reader takes for one another are told, with the rows of both."""

import pandas as pd
import pytest

from analysis.cohort import Cohort, check_cohort
from analysis.cohort.recognition.trade_words import shown_cell


def names_told(protocols, ids=None, site=None):
    ids = ids or [f"P{i:02d}" for i in range(10, 10 + len(protocols))]
    patients = pd.DataFrame({"patient_id": ids, "protocol": protocols})
    if site is not None:
        patients["site"] = site
    visits = pd.DataFrame({"patient_id": ids, "week": 0, "measure": "pain", "limb": "none", "value": 4})
    findings = check_cohort(Cohort(patients, visits)).findings
    return findings[findings["problem"].str.contains("differ")]


@pytest.mark.parametrize(
    ("other", "how"),
    [("Usual", "capitals"), ("usu\u0430l", "letters that look alike"), ("usual\u00a0", "blanks or forms")],
)
def test_two_protocols_of_nearly_one_name(other, how):
    told = names_told(["usual", "early", other, other])
    assert told[["severity", "table", "row", "column", "value"]].to_numpy().tolist() == [
        ["warning", "patients", 4, "protocol", shown_cell(other)]
    ]
    assert "differs from that of row 2" in told["problem"].iloc[0]
    assert how in told["problem"].iloc[0]


def test_a_letter_of_another_script_is_named():
    assert "CYRILLIC SMALL LETTER A" in names_told(["usual", "usu\u0430l"])["problem"].iloc[0]


def test_sites_and_identifiers_of_patients():
    told = names_told(
        ["usual"] * 4, ids=["P1a", "P2", "p1A", "P\u0406a"], site=["north", "south", "n\u043erth", "north"]
    )
    assert told[["column", "row", "value"]].to_numpy().tolist() == [
        ["site", 4, "aaaaa"], ["patient_id", 4, "P1a"], ["patient_id", 5, "P1a"]
    ]  # fmt: skip
    assert told["patient_id"].tolist()[1:] == ["p1A", "AAa"]  # letters of another script: the shape alone


def test_a_visit_of_a_patient_written_in_other_capitals():
    patients = pd.DataFrame({"patient_id": ["A1", "A2"], "protocol": ["usual", "early"]})
    visits = pd.DataFrame({"patient_id": ["A1", "a2"], "week": 0, "measure": "pain", "limb": "none", "value": 4})
    told = check_cohort(Cohort(patients, visits)).findings
    told = told[told["problem"].str.contains("differ")]
    assert told[["table", "row", "patient_id", "value"]].to_numpy().tolist() == [["visits", 3, "a2", "A2"]]


def test_names_of_people_and_numbers_are_masked():
    told = names_told(
        ["usual", "usual"], ids=["maria smith", "Maria Smith"], site=["555-010-9999 x", "555-010-9999 \u0445"]
    )
    assert len(told) == 2
    shown = " ".join(told.astype("str").to_numpy().ravel()).lower()
    assert "smith" not in shown
    assert "555" not in shown


def test_nothing_is_said_of_names_that_differ():
    assert names_told(["usual", "early", "usual care"]).empty
