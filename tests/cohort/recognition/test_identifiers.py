"""Direct identifiers, by the name of a column and by what stands in it; and what must not be taken for one."""

import pandas as pd
import pytest

from analysis.cohort import Cohort, Provenance, check_cohort
from analysis.cohort.findings import FindingList
from analysis.cohort.recognition.find_identifiers import are_dates, find_identifiers, look_like_names, name_rule


def problems(patients, visits, column, values, **options):
    # the column is one that a person named: the rules look at its cells all the same
    named = Provenance(decided=[f"patients.{column}"])
    report = check_cohort(Cohort(patients.assign(**{column: values}), visits, provenance=named, **options))
    return report.findings[report.findings["column"] == column], report


# one row a class of 45 CFR 164.514(b)(2)(i), the letter of its paragraph
@pytest.mark.parametrize(
    ("letter", "names"),
    [
        ("A", ["name", "PatientName", "Last Name", "surgeon_name", "initials"]),
        ("B", ["zip", "Post Code", "street", "home_city"]),
        ("C", ["date_of_birth", "DOB", "SurgeryDate", "visit_dt"]),
        ("D", ["phone", "Telephone No", "mobile"]),
        ("E", ["fax"]),
        ("F", ["email", "E-Mail"]),
        ("G", ["ssn", "social_security_number"]),
        ("H", ["MRN", "hospital_number", "medical_record_no"]),
        ("I", ["insurance_id", "member_no"]),
        ("J", ["account_number", "IBAN"]),
        ("K", ["licence_no", "passport"]),
        ("L", ["license_plate", "VIN"]),
        ("M", ["serial_no", "device_id", "brace id", "IMEI"]),
        ("N", ["url", "website"]),
        ("O", ["ip_address"]),
        ("P", ["fingerprint", "dna"]),
        ("Q", ["photo", "face"]),
        ("R", ["login_id", "twitter_handle"]),
    ],
)
def test_the_name_of_the_column(letter, names):
    for name in names:
        rule = name_rule(name)
        assert rule is not None, name
        assert rule.paragraph.startswith(f"({letter})"), (name, rule.paragraph)


@pytest.mark.parametrize(
    "name",
    ["protocol", "site_name", "age_years", "body_mass_kg", "smoker", "graft", "procedure", "device", "brace_type", "dose",
     "faculty", "update", "candidate", "vintage", "mechanism", "surface", "lesion_size_mm", "days_to_surgery", "telemetry"],
)  # fmt: skip
def test_names_that_only_look_alike(name):
    assert name_rule(name) is None


@pytest.mark.parametrize(
    ("value", "what"),
    [
        ("jane@example.org", "e-mail"), ("https://x.org/p/1", "web address"), ("10.1.2.3", "IP address"),
        ("078-05-1120", "social security"), ("+44 20 7946 0958", "telephone"), ("(555) 123-4567", "telephone"),
        ("2024-03-01", "date"), ("March 3, 2024", "date"), ("3.4.24", "date"), ("MRN 123456", "record"),
        ("SN: A1B2-0042", "serial"), ("Dr. Miller", "name"), ("12 Main Street", "address"), ("12345-6789", "ZIP"),
    ],
)  # fmt: skip
def test_what_stands_in_a_cell(patients, visits, value, what):
    table, report = problems(patients, visits, "note", ["ok", value, "fine"])
    hit = table[table["severity"] == "error"]
    assert hit["row"].tolist() == [3]
    assert what in hit["problem"].item()
    assert value not in report.to_text(), "the identifier itself must be masked"
    assert report.n_identifiers == 1


@pytest.mark.parametrize(
    "value", ["grade 3", "left", "1.5", "12-14", "K-wire", "A1", "week 6", "3/4", "6 mm", "2 of 3", "v1.2.3"]
)
def test_cells_that_are_no_identifiers(patients, visits, value):
    table, _ = problems(patients, visits, "note", ["ok", value, "fine"])
    assert table[table["severity"] == "error"].empty, table.to_string()


@pytest.mark.parametrize("ids", [["Jane Doe", "P2", "P3"], ["P1", "Smith, John", "P3"], ["P1", "P2", "maria"]])
def test_patients_called_by_their_names_are_masked_in_every_table(patients, visits, ids):
    names = dict(zip(["P1", "P2", "P3"], ids, strict=True))
    cohort = Cohort(
        patients.assign(patient_id=ids), visits.assign(patient_id=visits["patient_id"].map(names), value=999.0)
    )
    report = check_cohort(cohort)
    assert report.n_identifiers == 1
    bad = next(one for one in ids if not one.startswith("P"))
    assert bad not in report.to_text(None)


def test_opaque_identifiers_of_many_kinds_pass():
    opaque = ["P001", "patient A", "subject-12", "3f2a9c", "A-B-17", "case_9", "0001", "XQZ"]
    assert not look_like_names(pd.Series(opaque)).any()


def test_dates_written_out():
    assert are_dates(pd.Series(["2024-03-01 10:00", "1 Mar 2024", "03/2024", "week 3", "2024", None])).tolist() == [
        True, True, False, False, False, False
    ]  # fmt: skip


def test_numbers_that_identify(patients, visits):
    for values, said in [
        ([20240301.0, 20240302.0, 20231212.0], "yyyymmdd"),
        ([4711001.0, 9822002.0, 1233003.0], "long number"),
    ]:
        table, _ = problems(patients, visits, "code", values)
        assert said in table["problem"].item()
    table, _ = problems(patients, visits, "parity", [1.0, 2.0, 3.0])
    assert table.empty
    table, _ = problems(patients, visits, "partner_age", [30.0, 92.0, 40.0])
    assert table["row"].tolist() == [3]


def test_dates_and_places_may_stay_in_a_limited_data_set_and_names_may_not(patients, visits):
    for column, values, allowed in [
        ("surgery_date", ["2024-01-01"] * 3, True), ("zip_code", ["12345-6789"] * 3, True), ("surname", ["a", "b", "c"], False)
    ]:  # fmt: skip
        assert not problems(patients, visits, column, values)[1].passed
        assert problems(patients, visits, column, values, privacy="limited")[1].passed is allowed


def test_free_text_is_a_warning(patients, visits):
    text = "The patient said that the knee was stiff in the morning after a long walk"
    table, report = problems(patients, visits, "remarks", [text, text + " again", "none"])
    assert "free text, in which a check cannot see names" in table["problem"].item()
    assert report.passed


@pytest.mark.parametrize(
    ("column", "cells", "told"),
    [
        ("comment", ["ok", None], True),
        ("graft", ["speaks Turkish", "will move to her daughter"], True),
        ("graft", ["patellar tendon", "patellar tendon"], False),
    ],
)
def test_short_notes_in_a_cohort_are_a_warning(column, cells, told):
    frame = pd.DataFrame({"patient_id": [f"P{i:03d}" for i in range(12)], column: [*cells, *[None] * 10]})
    found = FindingList()
    find_identifiers({"patients": frame}, found)
    report = found.report()
    assert report.findings["problem"].str.contains("free text").any() == told
    assert report.passed
