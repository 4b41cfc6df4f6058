"""Every table of a source is read: all sheets, hidden ones too, which is said; properties of files go nowhere."""

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyreadstat
import pytest

from analysis.cohort import deidentify
from analysis.cohort.deidentification.source import read_tables
from analysis.errors import CohortError


@pytest.fixture
def workbook(tmp_path):
    book = openpyxl.Workbook()
    book.properties.creator = "Orla Tennebrick"
    book.properties.title = "Knees of Chippenham"
    first = book.active
    first.title = "visits"
    for row in (["id", "pain", "flexion"], *([f"M{i}", i % 5, 100 + i % 7] for i in range(12))):
        first.append(row)
    first["B2"].comment = openpyxl.comments.Comment("ring Orla Tennebrick", "Orla Tennebrick")
    first.column_dimensions["C"].hidden = True
    other = book.create_sheet("Tennebrick O")
    other.sheet_state = "hidden"
    for row in (["id", "koos_pain"], *([f"M{i}", 40 + (3 * i) % 7] for i in range(12))):
        other.append(row)
    book.create_sheet("empty")
    (tmp_path / "source").mkdir()
    book.save(tmp_path / "source" / "Tennebrick_2024.xlsx")
    return tmp_path / "source" / "Tennebrick_2024.xlsx"


def test_hidden_sheets_and_columns_are_read_and_said(workbook, tmp_path):
    report = deidentify(workbook, tmp_path / "out", patient="id")
    assert "1 hidden sheet of the workbook was read like the others." in report.warnings
    assert "1 hidden column of the workbook was read like the others." in report.warnings
    assert "1 of 3 sheets are no tables and were left out." in report.warnings
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "deidentification.csv",
        "table_2.csv",
        "visits.csv",
    ]
    assert list(pd.read_csv(tmp_path / "out" / "visits.csv").columns) == ["patient_id", "pain", "flexion"]


def test_names_of_sheets_comments_and_properties_go_nowhere(workbook, tmp_path):
    report = deidentify(workbook, tmp_path / "out", patient="id")
    written = b"".join(path.read_bytes() for path in (tmp_path / "out").iterdir()).decode() + report.to_text()
    for name in ("Tennebrick", "Orla", "Chippenham"):
        assert name not in written.replace(str(tmp_path), "")


def test_metadata_of_parquet_and_labels_of_a_statistics_file_go_nowhere(tmp_path):
    (tmp_path / "source").mkdir()
    frame = pa.table({"id": [f"M{i}" for i in range(12)], "pain": [i % 5 for i in range(12)]})
    pq.write_table(frame.replace_schema_metadata({"owner": "Orla Tennebrick"}), tmp_path / "source" / "visits.parquet")
    labelled = pd.DataFrame({"id": [f"M{i}" for i in range(12)], "arm": [1.0, 2.0] * 6})
    pyreadstat.write_sav(
        labelled, str(tmp_path / "source" / "patients.sav"), column_labels=["id", "asked by Orla Tennebrick"],
        variable_value_labels={"arm": {1.0: "usual", 2.0: "protocol of Tennebrick"}},
    )  # fmt: skip
    report = deidentify(tmp_path / "source", tmp_path / "out", patient="id")
    written = "".join(path.read_text() for path in (tmp_path / "out").iterdir()) + report.to_text()
    assert "Tennebrick" not in written
    assert "arm" in set(report.withheld["column"])


def test_two_tables_of_one_name_are_refused(tmp_path):
    for name in ("visits.csv", "visits.tsv"):
        (tmp_path / name).write_text("id,pain\n1,2\n")
    with pytest.raises(CohortError, match="Two tables have the name visits"):
        read_tables(tmp_path, ",")
