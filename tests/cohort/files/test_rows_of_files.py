"""Rows of findings are those that the program shows in which a user opens the file: in a spreadsheet the header is row 1."""

import openpyxl
import pandas as pd
import pyreadstat
import pytest

from analysis.cohort import FailedCheckError, check_cohort, check_folder, import_cohort, write_cohort
from analysis.cohort.tables import Cohort

from ..importing.one_measure import LONG

HEADER = ["id", "arm", "week", "pain"]
#: The third row has a pain of 60 points.
ROWS = [["P1", "usual", 0, 6], ["P1", "usual", 6, 3], ["P2", "early", 0, 60], ["P2", "early", 6, 2]]


def row_found(tmp_path, name):
    (tmp_path / "map.toml").write_text(LONG)
    with pytest.raises(FailedCheckError) as caught:
        import_cohort(tmp_path / name, tmp_path / "map.toml")
    found = caught.value.report.findings
    return found[found["severity"] == "error"]["row"].tolist()


def as_csv(*rows):
    return "".join(",".join(map(str, row)) + "\n" for row in rows)


def test_a_csv_file_with_an_empty_line_and_a_line_end_in_a_cell(tmp_path):
    (tmp_path / "a.csv").write_text(as_csv(HEADER, *ROWS))
    assert row_found(tmp_path, "a.csv") == [4]
    (tmp_path / "a.csv").write_text(as_csv(HEADER, *ROWS[:2], [], *ROWS[2:]).replace("usual", '"us\nual"', 2))
    assert row_found(tmp_path, "a.csv") == [5]


def test_a_row_that_does_not_fit_the_header_keeps_its_place_and_those_after_it_theirs(tmp_path):
    (tmp_path / "a.csv").write_text(as_csv(HEADER, ROWS[0], [*ROWS[1], 9], *ROWS[2:]))
    assert sorted(row_found(tmp_path, "a.csv")) == [3, 4]


def test_a_sheet_has_rows_of_its_own(tmp_path):
    book = openpyxl.Workbook()
    for place, row in zip((1, 2, 3, 7, 8), (HEADER, *ROWS), strict=True):
        for column, cell in enumerate(row, 1):
            book.active.cell(place, column, cell)
    book.save(tmp_path / "a.xlsx")
    assert row_found(tmp_path, "a.xlsx") == [7]


def test_statistics_programs_number_the_first_case_1(tmp_path):
    pyreadstat.write_sav(pd.DataFrame(ROWS, columns=HEADER), tmp_path / "a.sav")
    assert row_found(tmp_path, "a.sav") == [3]


def test_a_cohort_and_its_folder_in_either_format(tmp_path):
    patients = pd.DataFrame({"patient_id": ["P1", "P2"], "protocol": ["usual", "early"]})
    visits = pd.DataFrame({"patient_id": ["P1", "P2"], "week": 0, "measure": "pain", "limb": "none", "value": [4, 5]})
    cohort = Cohort(patients, visits.assign(value=[60, 5]))
    assert check_cohort(cohort).findings.query("severity == 'error'")["row"].tolist() == [2]
    for file_format in ("csv", "parquet"):
        folder = write_cohort(Cohort(patients, visits), tmp_path / file_format, file_format=file_format)
        if file_format == "csv":
            text = (folder / "visits.csv").read_text()
            (folder / "visits.csv").write_text(text.replace(",4", ",60"))
        else:
            cohort.visits.to_parquet(folder / "visits.parquet")
        assert check_folder(folder).findings.query("severity == 'error'")["row"].tolist() == [2]


def test_a_name_spelt_in_two_ways_is_told_with_the_rows_of_the_file(tmp_path):
    (tmp_path / "a.csv").write_text(as_csv(HEADER, [], ROWS[0], [], ["P2", "Usual", 0, 4]))
    (tmp_path / "map.toml").write_text(LONG)
    found = import_cohort(tmp_path / "a.csv", tmp_path / "map.toml").checked.findings
    told = found[found["problem"].str.startswith("differs from")]
    assert (told["row"].tolist(), "that of row 3 by capitals" in told["problem"].item()) == ([5], True)
