"""Patients of several files link, however a program wrote their numbers; where they do not, that is said."""

import pandas as pd
import pytest

from analysis.cohort import FailedCheckError, deidentify, import_cohort
from analysis.cohort.checks.links import links_of
from analysis.cohort.columns import Column, as_identifiers, convert
from analysis.errors import CohortError

MAP = """
reference = "usual"
[files]
patients = "{patients}"
visits = "visits.csv"
[patients]
patient_id = "id"
protocol = "arm"
[week]
date = "seen"
start = "surgery"
[[values]]
measure = "pain"
column = "pain"
"""
IDS = [f"{1001 + i}" for i in range(12)]
#: Days of surgery, each patient's own (a day of many patients would be one that others may know), and twelve weeks later.
DAYS = [f"2024-01-{8 + i:02d}" for i in range(12)]
LATER = [f"2024-04-{1 + i:02d}" for i in range(12)]


@pytest.fixture
def clinic(tmp_path):
    """Write patients, with identifiers of any kind, and their visits, as CSV with whole numbers; give folder and map."""

    def write(ids, name="people.xlsx"):
        folder = tmp_path / "clinic"
        folder.mkdir()
        arms = ["usual", "early"] * (len(ids) // 2)
        people = pd.DataFrame({"id": ids, "arm": arms, "surgery": DAYS[: len(ids)]})
        people.to_excel(folder / name, index=False) if name.endswith("xlsx") else people.to_csv(
            folder / name, index=False
        )
        seen = pd.DataFrame({"id": IDS * 2, "seen": [*DAYS, *LATER], "pain": [6, 3] * 12})
        seen.to_csv(folder / "visits.csv", index=False)
        (tmp_path / "map.toml").write_text(MAP.format(patients=name), encoding="utf-8")
        return folder, tmp_path / "map.toml"

    return write


@pytest.mark.parametrize("ids", [[float(one) for one in IDS], [f"{one}.0" for one in IDS], [int(one) for one in IDS]])
def test_numbers_of_a_workbook_link_with_those_of_a_text_file(clinic, tmp_path, ids):
    folder, mapped = clinic(ids)
    cohort = import_cohort(folder, mapped).cohort
    assert cohort.patients["patient_id"].tolist() == IDS
    assert cohort.visits["week"].value_counts().to_dict() == {0.0: 12, 12.0: 12}
    report = deidentify(folder, tmp_path / "out", patient="id", start="surgery")
    assert report.n_patients == 12
    assert report.warnings == ()
    people, visits = (pd.read_csv(tmp_path / "out" / name) for name in ("people.csv", "visits.csv"))
    assert set(people["patient_id"]) == set(visits["patient_id"])
    assert visits["week"].value_counts().to_dict() == {0.0: 12, 12.0: 12}


def test_patients_written_in_other_forms_of_the_same_characters_get_one_new_identifier(clinic, tmp_path):
    folder, _ = clinic(["１００１", "10\u200b02", *IDS[2:]], "people.csv")
    report = deidentify(folder, tmp_path / "out", patient="id", start="surgery")
    assert report.n_patients == 12
    (warning,) = report.warnings
    assert warning.startswith("Blanks and forms of characters (Unicode NFKC) were folded in 2 cells with a patient;")
    visits = pd.read_csv(tmp_path / "out" / "visits.csv")
    assert visits["week"].notna().sum() == 24


def test_one_patient_in_twelve_who_does_not_link_is_a_warning_of_de_identification_without_the_patient(
    clinic, tmp_path
):
    folder, mapped = clinic([*IDS[:-1], "9999"], "people.csv")
    report = deidentify(folder, tmp_path / "out", patient="id", start="surgery")
    (warning,) = report.warnings
    assert warning == (
        "11 of 12 patients of visits (92 %) are in people; the others have no date of surgery or start, so their dates are "
        "lost. Check how the patients are written in both."
    )
    assert warning in report.to_text()
    assert not {"9999", IDS[-1]} & set(report.to_text().split())
    with pytest.raises(FailedCheckError) as caught:
        import_cohort(folder, mapped)
    found = caught.value.report.findings
    link = found[found["problem"].str.startswith("11 of 12 patients are in people.csv (92 %)")]
    assert link[["severity", "table"]].to_numpy().tolist() == [["warning", "visits.csv"]]


def test_fewer_than_half_that_link_are_an_error_and_nothing_is_written(clinic, tmp_path):
    folder, mapped = clinic([*IDS[:5], *(f"A{one}" for one in IDS[5:])])
    with pytest.raises(CohortError, match=r"5 of 12 patients of visits \(42 %\) are in people") as caught:
        deidentify(folder, tmp_path / "out", patient="id", start="surgery")
    assert "the same way" in caught.value.what_to_do
    assert not (tmp_path / "out").exists()
    with pytest.raises(FailedCheckError) as caught:
        import_cohort(folder, mapped)
    assert "visits.csv, id: 5 of 12 patients are in people.xlsx (42 %)" in caught.value.report.to_text()


def test_without_a_start_the_table_of_most_patients_is_the_one_to_be_in(tmp_path):
    folder = tmp_path / "clinic"
    folder.mkdir()
    pd.DataFrame({"id": IDS, "arm": "usual"}).to_csv(folder / "people.csv", index=False)
    pd.DataFrame({"id": IDS[:3], "pain": [1, 2, 3]}).to_csv(folder / "visits.csv", index=False)
    assert deidentify(folder, tmp_path / "out", patient="id").warnings == ()
    pd.DataFrame({"id": ["a", "b", IDS[0]], "pain": [1, 2, 3]}).to_csv(folder / "visits.csv", index=False)
    with pytest.raises(CohortError, match=r"1 of 3 patients of visits \(33 %\) are in people"):
        deidentify(folder, tmp_path / "again", patient="id")


def test_half_is_enough_and_a_table_without_patients_says_nothing():
    patients = pd.Series(["1", "2", None])
    tables = {"visits": pd.Series(["1", "1", "7", None]), "events": pd.Series([None], dtype="str")}
    assert [(one.table, one.found, one.total, one.too_few) for one in links_of(tables, patients)] == [
        ("visits", 1, 2, False)
    ]


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        ([1001.0, None, 1002.0], ["1001", None, "1002"]),
        ([1001.0, 1002.5], ["1001", "1002.5"]),
        (["1001.0", " 1002.00 ", "1003", "A7"], ["1001", "1002", "1003", "A7"]),
        (["1.0", "1.10", "1.1"], ["1.0", "1.10", "1.1"]),  # visits or versions, no numbers
        (["007", "007.0", "-1.0", "", "1."], ["007", "007", "-1", None, "1."]),
        ([1001, "1001.0", 7.0], ["1001", "1001", "7"]),
        ([1e300, 12345678901234567.0], ["1e+300", "12345678901234568"]),
        (pd.Categorical([1.0, 2.0]), ["1", "2"]),
    ],
)
def test_identifiers_that_are_whole_numbers_are_written_as_such(cells, expected):
    found = as_identifiers(pd.Series(cells))
    assert [None if pd.isna(one) else one for one in found] == expected


def test_a_column_of_text_writes_whole_numbers_as_such_and_keeps_texts():
    text = Column("grade", "text", "")
    assert convert(pd.Series([1.0, 1.5, None, 2.0]), text)[0].dropna().tolist() == ["1", "1.5", "2"]
    assert convert(pd.Series(["1.0", "2"]), text)[0].tolist() == ["1.0", "2"]
    assert convert(pd.Series([3.0, 1.5]), Column("grade", "category", ""))[0].tolist() == ["3", "1.5"]
