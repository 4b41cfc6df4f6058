"""Files that would crash, hang or fill the memory: read in a process of its own, and ended with an explained error."""

import os
import re
import struct
import subprocess
import sys
import time
import zipfile
from pathlib import Path
from threading import Timer

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyreadstat
import pytest

from analysis.cohort.files import reading_apart
from analysis.cohort.files.limits import Limits, limits_of
from analysis.cohort.files.readers import read_table
from analysis.errors import CohortError, CohortWarning

from .damage import damaged, valid_files

ROWS = [["id", "week", "pain"], ["P1", 0, 6], ["P2", 0, 5]]
ON_LINUX = pytest.mark.skipif(
    sys.platform != "linux", reason="only there the system limits memory, and tells of children"
)


@pytest.fixture(scope="module")
def valid(tmp_path_factory):
    return valid_files(tmp_path_factory.mktemp("valid"))


def workbook(path, rows, change=None):
    """Write a workbook, and change the text of its sheet."""
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    book.save(path)
    if change is not None:
        with zipfile.ZipFile(path) as archive:
            members = {name: archive.read(name) for name in archive.namelist()}
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, member in members.items():
                archive.writestr(name, change(member.decode()) if "sheet1" in name else member)
    return path


def statistics_file(path, rows=3):
    pyreadstat.write_sav(pd.DataFrame({"id": ["P"] * rows, "pain": np.arange(rows) * 1.0}), path)
    return path


@pytest.fixture
def limits(monkeypatch):
    """Set other limits than those of the size of the file, to be reached sooner; what was freed before would not count."""
    reading_apart._end_readers()

    def change(**changed):
        usual = {"seconds": 60.0, "memory": 1 << 30, "cells": 1 << 27, "unpacked": 16 << 20}
        monkeypatch.setattr(reading_apart, "limits_of", lambda _: Limits(**usual | changed))

    return change


def test_limits_grow_with_the_size_of_the_file_and_have_an_end():
    small, large, largest = limits_of(0), limits_of(10 << 20), limits_of(1 << 40)
    assert (small.memory, small.seconds, small.unpacked) == (1 << 30, 60, 16 << 20)
    assert large.memory == (1 << 30) + 640 * (1 << 20)
    assert large.seconds == 60 + 300
    assert large.unpacked == (16 << 20) + 1000 * (1 << 20)
    assert (largest.cells, largest.unpacked) == (1 << 31, 2 << 30)


@pytest.mark.skipif(os.name == "nt", reason="a process there does not end by a signal")
def test_a_file_that_crashes_its_reader_is_damaged_and_the_next_one_is_read(tmp_path, valid):
    """Seed 109 changes bytes of an SPSS file so that the library reads memory that is not there."""
    (tmp_path / "bad.sav").write_bytes(damaged("plain.sav", valid["plain.sav"], CRASHING_SEED))
    with pytest.raises(CohortError, match="not an SPSS file, or it is damaged") as caught:
        read_table(tmp_path / "bad.sav")
    assert re.search(r"bad\.sav: it makes the program that reads it crash \(SIG(SEGV|ABRT|BUS)\)", caught.value.where)
    assert len(read_table(statistics_file(tmp_path / "good.sav")).frame) == 3


CRASHING_SEED = 109


def test_a_row_beyond_every_worksheet(tmp_path):
    path = workbook(tmp_path / "t.xlsx", ROWS, lambda sheet: re.sub(r'r="([A-Z]?)3"', r'r="\g<1>999999999"', sheet))
    assert path.stat().st_size < 6000
    began = time.monotonic()
    with pytest.raises(CohortError, match="not an Excel workbook, or it is damaged") as caught:
        read_table(path)
    assert "more than 1,048,576 rows" in caught.value.where
    assert time.monotonic() - began < 20


def test_a_last_row_just_within_the_limit_costs_nothing(tmp_path):
    path = workbook(tmp_path / "t.xlsx", ROWS, lambda sheet: re.sub(r'r="([A-Z]?)3"', r'r="\g<1>1048576"', sheet))
    frame = read_table(path).frame
    assert frame.index.tolist() == [0, 1_048_574]
    assert frame["id"].tolist() == ["P1", "P2"]


def test_a_sheet_as_wide_and_as_long_as_can_be_holds_more_cells_than_its_size_allows(tmp_path, limits):
    limits(cells=100_000)
    rows = [["id", "week"], *[[1, 2]] * 20, [*[None] * 16_382, 1]]
    with pytest.raises(
        CohortError, match="says that it holds 22 rows of 16,383 columns, more than the kit reads of a file"
    ):
        read_table(workbook(tmp_path / "t.xlsx", rows))


def test_a_workbook_that_unpacks_to_more_than_its_size_allows(tmp_path, monkeypatch):
    path = workbook(tmp_path / "t.xlsx", ROWS)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/media/big.bin", bytes(40_000_000))
    assert path.stat().st_size < 60_000
    monkeypatch.setattr("analysis.cohort.files.file_formats.read_apart", lambda *_, **__: pytest.fail("it was opened"))
    with pytest.raises(CohortError, match=r"unpacks to 0\.04 GB and is not opened"):
        read_table(path)


def test_a_statistics_file_whose_header_says_half_a_billion_rows(tmp_path):
    path = statistics_file(tmp_path / "t.sav")
    content = bytearray(path.read_bytes())
    # The number of cases of an SPSS system file stands in the header, and as 64 bits in extension record 7, subtype 16.
    content[80:84] = struct.pack("<i", 500_000_000)
    at = content.index(struct.pack("<iiii", 7, 16, 8, 2)) + 24
    content[at : at + 8] = struct.pack("<q", 500_000_000)
    path.write_bytes(content)
    with pytest.raises(CohortError, match="says that it holds 500,000,000 rows of 2 columns"):
        read_table(path)


def test_a_parquet_file_that_says_it_holds_more_than_its_size_allows(tmp_path, limits):
    limits(cells=10)
    pd.DataFrame({"id": ["a"] * 6, "x": 1}).to_parquet(tmp_path / "t.parquet")
    with pytest.raises(CohortError, match="says that it holds 6 rows of 2 columns"):
        read_table(tmp_path / "t.parquet")


def test_cells_handed_over_count_too(tmp_path, limits):
    limits(memory=1 << 27)
    text = pa.DictionaryArray.from_arrays(pa.array(np.zeros(2000, dtype="int32")), pa.array(["x" * 100_000]))
    pq.write_table(pa.table({"id": text.cast(pa.string()), "week": np.zeros(2000)}), tmp_path / "t.parquet")
    assert (tmp_path / "t.parquet").stat().st_size < 1 << 20
    with pytest.raises(
        CohortError, match=r"takes more than 0\.13 GB of memory, more than a file of its size may"
    ) as caught:
        read_table(tmp_path / "t.parquet")
    assert "where the file comes from" in caught.value.what_to_do


@ON_LINUX
def test_memory_is_limited_while_the_file_is_read(tmp_path, limits):
    limits(memory=1 << 24)
    path = tmp_path / "t.xlsx"
    workbook(
        path,
        ROWS,
        lambda sheet: sheet.replace("</sheetData>", "<row>" + "<c><v>1</v></c>" * 120_000 + "</row></sheetData>"),
    )
    with pytest.raises(CohortError, match=r"takes more than 0\.02 GB of memory"):
        read_table(path)


def test_time_is_limited(tmp_path, limits):
    limits(seconds=1.0)
    path = workbook(
        tmp_path / "t.xlsx",
        ROWS,
        lambda sheet: sheet.replace("</sheetData>", "<row><c><v>1</v></c></row>" * 400_000 + "</sheetData>"),
    )
    began = time.monotonic()
    with pytest.raises(CohortError, match="takes more than 1 seconds, more than a file of its size may"):
        read_table(path)
    assert time.monotonic() - began < 10


@pytest.mark.parametrize("hit", [b"Zo\xeb", b"\xff\xfe\xfd"])
def test_a_text_in_parquet_that_is_no_text(tmp_path, hit):
    column = pa.array([b"Zoe", hit]).cast(pa.binary())
    pq.write_table(
        pa.table({"id": pa.Array.from_buffers(pa.string(), 2, column.buffers()), "x": [1, 2]}), tmp_path / "t.parquet"
    )
    with pytest.raises(CohortError, match="not a Parquet file, or it is damaged"):
        read_table(tmp_path / "t.parquet")


def test_damaged_words_about_columns_in_parquet_are_no_traceback(tmp_path):
    frame = pd.DataFrame({"id": ["a", "b"], "kind": pd.Categorical(["x", "y"])})
    frame.to_parquet(tmp_path / "t.parquet")
    content = (tmp_path / "t.parquet").read_bytes()
    assert content.count(b'"pandas_type"') >= 2
    (tmp_path / "t.parquet").write_bytes(content.replace(b'{"index_columns"', b'{"index_colu\xffns', 1))
    try:
        assert len(read_table(tmp_path / "t.parquet").frame) == 2
    except CohortError as error:
        assert "damaged" in error.what  # noqa: PT017


def test_a_cell_with_a_number_that_no_float_holds_is_text(tmp_path):
    path = workbook(tmp_path / "t.xlsx", ROWS, lambda sheet: sheet.replace("<v>6</v>", f"<v>{'9' * 400}</v>"))
    assert read_table(path).frame["pain"].tolist() == ["9" * 400, "5"]


def test_what_a_library_warns_of_is_a_warning_of_the_kit(tmp_path):
    path = tmp_path / "t.xlsx"
    book = openpyxl.Workbook()
    for row in ROWS:
        book.active.append(row)
    book.active["C2"].number_format = "yyyy-mm-dd"
    book.active["C2"].value = 99_999_999
    book.save(path)
    with pytest.warns(CohortWarning, match=r"t\.xlsx: Cell C2 is marked as a date"):
        frame = read_table(path).frame
    assert frame["pain"].tolist() == ["#VALUE!", "5"]


@ON_LINUX
def test_one_process_reads_file_after_file_and_a_failed_one_is_not_used_again(tmp_path, valid):
    read_table(statistics_file(tmp_path / "a.sav"))
    first = reading_apart._readers[-1]
    read_table(workbook(tmp_path / "b.xlsx", ROWS))
    assert reading_apart._readers[-1] is first
    (tmp_path / "c.sav").write_bytes(valid["t.sav"][:300])
    with pytest.raises(CohortError, match="damaged"):
        read_table(tmp_path / "c.sav")
    read_table(tmp_path / "a.sav")
    assert reading_apart._readers[-1] is not first


@ON_LINUX
def test_a_process_that_ended_since_is_replaced(tmp_path):
    path = statistics_file(tmp_path / "a.sav")
    read_table(path)
    process = reading_apart._readers[-1]._process
    process.kill()
    process.wait()
    assert len(read_table(path).frame) == 3


@ON_LINUX
def test_a_process_that_is_ended_from_outside_is_no_damaged_file(tmp_path):
    path = workbook(tmp_path / "t.xlsx", [["a", "b"], *[[1, 2]] * 20_000])
    read_table(path)
    process = reading_apart._readers[-1]._process
    clock = Timer(0.05, process.kill)
    clock.start()
    with pytest.raises(CohortError, match="was ended from outside, perhaps since the computer ran out of memory"):
        read_table(path)
    clock.join()


@ON_LINUX
def test_nothing_is_left_when_python_ends(tmp_path):
    path = statistics_file(tmp_path / "a.sav")
    script = (
        "import sys; from pathlib import Path; from analysis.cohort.files import readers, reading_apart\n"
        "readers.read_table(Path(sys.argv[1])); print(reading_apart._readers[-1]._process.pid)"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", script, str(path)], capture_output=True, text=True, check=True,
        env={**os.environ, "TMPDIR": str(tmp_path)},
    )  # fmt: skip
    assert done.stderr == ""
    assert not Path(f"/proc/{done.stdout.strip()}").exists()
    assert [one.name for one in tmp_path.iterdir()] == ["a.sav"]


def test_a_large_statistics_file_is_handed_over_in_portions(tmp_path, monkeypatch):
    from analysis.cohort.files import foreign_formats

    frame = pd.DataFrame(
        {
            "n": [float(i) for i in range(10)],
            "late": [None] * 7 + [1.0, 2.0, 3.0],
            "day": [pd.NaT] * 6 + list(pd.to_datetime(["2024-01-01"] * 4)),
            "text": ["a", ""] * 5,
        }
    )
    pyreadstat.write_sav(frame, tmp_path / "t.sav")
    whole = read_table(tmp_path / "t.sav").frame
    monkeypatch.setattr(foreign_formats, "_PORTION", 12)
    portions = list(foreign_formats.statistics(str(tmp_path / "t.sav"), encoding=None, catalog=None, cells=1000))
    assert [len(one["n"]) for one in portions[:-1]] == [3, 3, 3, 1]
    monkeypatch.setattr("analysis.cohort.files.file_formats.read_apart", lambda *_, **__: portions)
    pd.testing.assert_frame_equal(read_table(tmp_path / "t.sav").frame, whole)
    assert whole["n"].tolist() == list(range(10))
    assert whole["day"].notna().sum() == 4


@pytest.mark.parametrize("zone", [None, "Europe/Berlin"])
@pytest.mark.parametrize("unit", ["s", "ms", "us"])
def test_times_that_no_calendar_has(tmp_path, unit, zone):
    second = {"s": 1, "ms": 10**3, "us": 10**6}[unit]
    for seconds, fits in (
        (253_370_764_800, True),
        (253_402_300_800, False),
        (-(10**12), False),
    ):  # 9999-01-01, 10000-01-01 (UTC)
        times = pa.array([None, seconds * second], type=pa.timestamp(unit, tz=zone))
        pq.write_table(pa.table({"id": ["a", "b"], "day": times}), tmp_path / "t.parquet")
        if fits:
            assert read_table(tmp_path / "t.parquet").frame["day"].dt.year.tolist()[1] == 9999
        else:
            with pytest.raises(CohortError, match="or it is damaged") as caught:
                read_table(tmp_path / "t.parquet")
            assert "the column 'day' has times outside the years 1 to 9999" in caught.value.where


def test_a_process_that_cannot_be_started(tmp_path, monkeypatch):
    path = statistics_file(tmp_path / "a.sav")
    reading_apart._end_readers()
    monkeypatch.setattr(sys, "executable", str(tmp_path / "no python"))
    with pytest.raises(
        CohortError, match="The process that reads files of this kind cannot be started: No such file"
    ) as caught:
        read_table(path)
    assert "no python" in caught.value.where


@ON_LINUX
def test_a_process_that_ends_without_an_answer_is_tried_twice(tmp_path, monkeypatch):
    path = statistics_file(tmp_path / "a.sav")
    reading_apart._end_readers()
    (tmp_path / "silent.py").write_text("import sys\nopen(sys.argv[0] + '.count', 'a').write('x')\n")
    monkeypatch.setattr(reading_apart, "_PROGRAM", tmp_path / "silent.py")
    with pytest.raises(CohortError, match="SPSS file, or it is damaged") as caught:
        read_table(path)
    assert "it ended without an answer" in caught.value.where
    assert (tmp_path / "silent.py.count").read_text() == "xx"
