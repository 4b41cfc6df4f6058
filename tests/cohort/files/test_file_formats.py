"""Workbooks and files of statistics programs: the same table from each, value labels used, damaged ones refused."""

import datetime as dt
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pyreadstat
import pytest

from analysis.cohort import import_cohort
from analysis.cohort.files.file_formats import read_statistics_file, read_workbook
from analysis.cohort.files.readers import read_table
from analysis.errors import CohortError

from ..importing.one_measure import LONG

ROWS = [["id", "arm", "week", "pain"], ["P1", "usual", 0, 6], ["P1", "usual", 6, 3.5], ["P2", "early", 0, None]]


def workbook(path, **sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def statistics_frame():
    return pd.DataFrame(
        {"id": ["P1", "P1", "P2"], "arm": [2.0, 2.0, 1.0], "week": [0.0, 6.0, 0.0], "pain": [6.0, 3.5, np.nan]}
    )


LABELS = {"arm": {1: "early", 2: "usual"}, "pain": {0: "none", 10: "worst"}}


def write_statistics_file(path):
    writer = {".sav": pyreadstat.write_sav, ".zsav": pyreadstat.write_sav, ".dta": pyreadstat.write_dta}.get(
        path.suffix
    )
    if writer is None:
        pyreadstat.write_xport(statistics_frame().assign(arm=["usual", "usual", "early"]), path)
    elif path.suffix == ".dta":  # Stata labels whole numbers only
        pyreadstat.write_dta(
            statistics_frame().astype({"arm": "int32"}), path, variable_value_labels={"arm": LABELS["arm"]}
        )
    else:
        writer(statistics_frame(), path, variable_value_labels=LABELS, compress=path.suffix == ".zsav")
    return path


@pytest.mark.parametrize("ending", ["csv", "parquet", "xlsx", "sav", "zsav", "dta", "xpt"])
def test_the_same_cohort_from_every_format(tmp_path, ending):
    path = tmp_path / f"data.{ending}"
    frame = pd.DataFrame(ROWS[1:], columns=ROWS[0])
    if ending == "csv":
        frame.to_csv(path, index=False)
    elif ending == "parquet":
        frame.to_parquet(path)
    elif ending == "xlsx":
        workbook(path, data=ROWS)
    else:
        write_statistics_file(path)
    (tmp_path / "map.toml").write_text(LONG)
    cohort = import_cohort(path, tmp_path / "map.toml").cohort
    assert cohort.patients["protocol"].tolist() == ["usual", "early"]
    assert cohort.visits[["patient_id", "week", "value"]].to_numpy().tolist() == [["P1", 0, 6], ["P1", 6, 3.5]]
    assert cohort.provenance.sources[0].name == path.name
    labelled = ending in ("sav", "zsav", "dta")  # the order of the codes, not of appearance
    assert cohort.protocols == (["early", "usual"] if labelled else ["usual", "early"])


def test_labels_of_all_values_are_used_and_those_of_the_ends_of_a_scale_are_not(tmp_path):
    raw = read_statistics_file(write_statistics_file(tmp_path / "a.sav"))
    assert list(raw.labelled) == ["arm"]
    assert raw.labelled["arm"].tolist() == ["usual", "usual", "early"]
    assert raw.frame["arm"].tolist() == [2.0, 2.0, 1.0]
    assert raw.frame["pain"].tolist()[:2] == [6.0, 3.5]


def test_values_declared_missing_are_missing(tmp_path):
    pyreadstat.write_sav(statistics_frame().fillna({"pain": 99}), tmp_path / "a.sav", missing_ranges={"pain": [99]})
    assert read_statistics_file(tmp_path / "a.sav").frame["pain"].isna().tolist() == [False, False, True]


def test_a_column_with_labels_that_is_mapped_as_numbers_keeps_its_codes(tmp_path):
    frame = statistics_frame().assign(pain=[0.0, 10.0, 0.0])
    pyreadstat.write_sav(frame, tmp_path / "a.sav", variable_value_labels=LABELS)
    (tmp_path / "map.toml").write_text(LONG)
    assert import_cohort(tmp_path / "a.sav", tmp_path / "map.toml").cohort.visits["value"].tolist() == [0, 10, 0]


def test_cells_of_a_workbook_become_types(tmp_path):
    day = dt.datetime(2024, 3, 1)  # noqa: DTZ001
    rows = [["id", "when", "ok", "mixed", "n"], [1, day, True, 5, "NA"], [2, None, False, "much", 2], [None] * 5]
    frame = read_workbook(workbook(tmp_path / "a.xlsx", data=rows), missing=["NA"]).frame
    assert frame.dtypes.astype(str).tolist() == ["float64", "datetime64[us]", "boolean", "str", "float64"]
    assert frame["mixed"].tolist() == ["5", "much"]
    assert np.isnan(frame["n"][0])


def test_the_sheet_must_be_named_where_there_are_several(tmp_path):
    path = workbook(tmp_path / "a.xlsx", notes=[["see", "visits"]], visits=ROWS)
    with pytest.raises(CohortError, match="2 sheets, and the map does not say which") as caught:
        read_workbook(path)
    assert "notes, visits" in caught.value.where
    with pytest.raises(CohortError, match="no sheet 'Visits'"):
        read_workbook(path, sheet="Visits")
    assert len(read_workbook(path, sheet="visits").frame) == 3


def test_a_sheet_that_is_no_table(tmp_path):
    with pytest.raises(CohortError, match="The sheet is empty"):
        read_workbook(workbook(tmp_path / "a.xlsx", data=[]))
    with pytest.raises(CohortError, match="first row does not name the columns"):
        read_workbook(workbook(tmp_path / "b.xlsx", data=[["Results of 2024"], [], ROWS[0], ROWS[1]]))
    with pytest.raises(CohortError, match="'id' comes twice"):
        read_workbook(workbook(tmp_path / "c.xlsx", data=[["id", "id"], [1, 2]]))


def test_damaged_and_protected_workbooks(tmp_path):
    path = workbook(tmp_path / "a.xlsx", data=ROWS)
    cut = tmp_path / "cut.xlsx"
    cut.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(CohortError, match="not an Excel workbook, or it is damaged"):
        read_table(cut)
    protected = tmp_path / "protected.xlsx"
    protected.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600))
    with pytest.raises(CohortError, match="protected by a password"):
        read_table(protected)
    other = tmp_path / "other.xlsx"
    with zipfile.ZipFile(other, "w") as archive:
        archive.writestr("hello.txt", "no workbook")
    with pytest.raises(CohortError, match="not an Excel workbook"):
        read_table(other)
    broken = tmp_path / "broken.xlsx"
    with zipfile.ZipFile(path) as source, zipfile.ZipFile(broken, "w") as archive:
        for entry in source.namelist():
            archive.writestr(entry, source.read(entry)[:40] if "sheet1" in entry else source.read(entry))
    with pytest.raises(CohortError, match="damaged"):
        read_table(broken)


@pytest.mark.parametrize("ending", ["sav", "zsav", "dta", "xpt", "sas7bdat"])
def test_damaged_statistics_files(tmp_path, ending):
    path = tmp_path / f"a.{ending}"
    path.write_bytes(b"id,arm\n1,2\n")
    with pytest.raises(CohortError, match="or it is damaged") as caught:
        read_table(path)
    assert f"a.{ending}" in caught.value.where


def test_a_whole_number_among_texts_keeps_all_its_digits(tmp_path):
    book = openpyxl.Workbook()
    for row in (["id", "n"], [1001.0, 1], ["A7", 2], [1234567890123456.0, 3], [0.1, 4]):
        book.active.append(row)
    book.save(tmp_path / "ids.xlsx")
    assert read_workbook(tmp_path / "ids.xlsx").frame["id"].tolist() == ["1001", "A7", "1234567890123456", "0.1"]
