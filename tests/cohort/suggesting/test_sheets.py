"""A first map of a workbook with several sheets is one that the workbook can be imported with."""

import pandas as pd
import pytest

from analysis.cohort import import_cohort, suggest_map

PEOPLE = pd.DataFrame({"patient_id": [1001, 1002], "treatment": ["usual", "early"], "sex": ["f", "m"], "age": [31, 44]})
VISITS = pd.DataFrame(
    {"id": ["1001", "1001", "1002"], "week": [0, 6, 0], "koos_pain": [40, 55, 61], "age": [31, 31, 44]}
)
NOTES = pd.DataFrame({"remark": ["see the protocol", "of the clinic"]})


@pytest.fixture
def mapped(tmp_path):
    """Write a workbook, suggest its map, import it with the map as it is; give the cohort and the map."""

    def run(**sheets):
        book, map_file = tmp_path / "book.xlsx", tmp_path / "map.toml"
        with pd.ExcelWriter(book) as writer:
            for name, frame in sheets.items():
                frame.to_excel(writer, sheet_name=name.replace("_", ", "), index=False)
        questions = suggest_map(book, map_file)
        text = map_file.read_text(encoding="utf-8")
        assert text.count("# not sure") == questions >= 1
        return import_cohort(book, map_file).cohort, text

    return run


def test_patients_and_visits_in_two_sheets(mapped):
    cohort, text = mapped(people_all=PEOPLE, visits=VISITS, notes=NOTES)
    assert cohort.patients.astype("str").to_numpy().tolist() == [
        ["1001", "usual", "f", "31.0"], ["1002", "early", "m", "44.0"]
    ]  # fmt: skip
    assert cohort.visits[["patient_id", "week", "value"]].to_numpy().tolist() == [
        ["1001", 0, 40], ["1001", 6, 55], ["1002", 0, 61]
    ]  # fmt: skip
    assert 'patients = { sheet = "people, all" }' in text
    assert "# not sure: the sheets: patients are taken from people, all, visits from visits; not used: notes" in text
    assert "#   age of the sheet visits: the sheet of the patients has it" in text


def test_patients_and_wide_visits_in_two_sheets(mapped):
    wide = pd.DataFrame({"patient_id": [1001, 1002], "koos_pain_pre": [40, 61], "koos_pain_6w": [55, None]})
    cohort, text = mapped(visits=wide, people=PEOPLE)
    assert len(cohort.visits) == 3
    assert cohort.protocols == ["usual", "early"]
    assert "[visits]" not in text  # one name of the patient in both


def test_one_sheet_has_all(mapped):
    whole = VISITS.assign(treatment=["usual", "usual", "early"])
    cohort, text = mapped(notes=NOTES, codes=PEOPLE[["treatment", "sex"]], data=whole)
    assert len(cohort.visits) == 3
    assert 'sheet = "data"' in text
    assert "# not sure: the sheet: the workbook has notes, codes, data" in text


def test_dates_count_from_the_start_in_the_sheet_of_the_patients(mapped):
    people = PEOPLE.assign(surgery_date=pd.to_datetime(["2024-01-01", "2024-02-01"]))
    visits = VISITS.drop(columns=["week", "age"]).assign(
        visit_date=pd.to_datetime(["2024-01-01", "2024-02-12", "2024-02-08"])
    )
    cohort, _ = mapped(people=people, visits=visits)
    assert cohort.visits["week"].tolist() == [0, 6, 1]
