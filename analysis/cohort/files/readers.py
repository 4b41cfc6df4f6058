"""Read a file of any origin into a table, or say in one message why that cannot be."""

from __future__ import annotations

import codecs
import csv
import datetime as dt
import io
from collections.abc import Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as arrow_csv

from analysis.cohort.files.conversion import RawTable
from analysis.cohort.files.encodings import encoding_of
from analysis.cohort.files.file_formats import (
    STATISTICS_FILES,
    WORKBOOKS,
    check_names,
    first_rows_of_sheet,
    read_statistics_file,
    read_workbook,
)
from analysis.cohort.files.header_rows import count_header_rows, joined_header
from analysis.cohort.files.limits import MOST_RAGGED, limits_of, too_many_cells
from analysis.cohort.files.paths import refuse_no_file
from analysis.cohort.files.reading_apart import damaged, read_apart
from analysis.cohort.findings import FIRST_ROW
from analysis.errors import CohortError
from analysis.progress import steps

#: Texts that stand for a missing value where a map says nothing else.
USUAL_MISSING = ("", "NA", "N/A", "n/a", "NaN", "nan", "NULL", "null", ".", "#N/A")
DELIMITERS = {",": "a comma", ";": "a semicolon", "\t": "a tab", "|": "a bar"}

#: What the calendar of Python holds; a day less at both ends, so that any time zone may be put in.
_FIRST_TIME, _LAST_TIME = dt.datetime(1, 1, 2, tzinfo=dt.UTC), dt.datetime(9999, 12, 31, tzinfo=dt.UTC)
_BLOCK = 16 << 20
_HEAD = 1 << 16
#: A header longer than this many bytes is no header (design choice; the most columns need about a tenth).
_LONGEST_HEADER = 4 << 20
#: Rows that are looked at to tell how many are the header (design choice).
_LOOKED_AT = 12


def read_csv(
    path: Path,
    *,
    delimiter: str = ",",
    encoding: str | None = None,
    missing: Sequence[str] = USUAL_MISSING,
    header_rows: int = 1,
) -> RawTable:
    """Read a CSV file as text; its first row, or its first ``header_rows`` together, hold the names of the columns.

    A byte-order mark is accepted; without one and without ``encoding`` the file must be UTF-8. ``missing`` are texts that
    stand for a missing value. Rows whose number of cells does not fit the header are left out and named. The index counts the
    rows of the file from the second one, which is 0.

    Raises
    ------
    CohortError
        The file is missing, empty, no table, or of another delimiter or encoding than said.
    """
    head = _head_of(path)
    encoding = encoding_of(path, head, encoding)
    names = _column_names(path, head, encoding, delimiter, header_rows)
    _refuse_empty_lines(path, encoding, len(names))
    left_out: list[tuple[int | None, int, str]] = []

    def leave_out(row: arrow_csv.InvalidRow) -> str:
        left_out.append((row.number, row.actual_columns, row.text))
        return "skip" if len(left_out) <= MOST_RAGGED else "error"

    def read(*, threads: bool) -> pa.Table:
        left_out.clear()
        return arrow_csv.read_csv(
            str(path),
            read_options=arrow_csv.ReadOptions(
                use_threads=threads,
                block_size=_BLOCK,
                encoding=encoding,
                column_names=names if header_rows > 1 else None,
                skip_rows_after_names=header_rows if header_rows > 1 else 0,
            ),
            parse_options=arrow_csv.ParseOptions(
                delimiter=delimiter,
                newlines_in_values=True,
                ignore_empty_lines=False,
                invalid_row_handler=leave_out,
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.large_string()),
                null_values=list(missing),
                strings_can_be_null=True,
                quoted_strings_can_be_null=True,
            ),
        )

    try:
        table = read(threads=True)
        if left_out:
            table = read(threads=False)
    except (pa.ArrowInvalid, pa.ArrowKeyError, UnicodeError) as error:
        if len(left_out) > MOST_RAGGED:
            raise CohortError(
                f"More than {MOST_RAGGED:,} rows do not fit the header.",
                where=path.name,
                what_to_do="Check the delimiter, and put texts that hold it in quotation marks.",
            ) from None
        raise CohortError(
            "The file cannot be read as a table.",
            where=f"{path.name}: {str(error).splitlines()[0]}",
            what_to_do="Check that every row has as many cells as the header and that quotation marks come in pairs.",
        ) from None
    frame = table.to_pandas(ignore_metadata=True)
    frame.columns = pd.Index([name or f"column {i + 1}" for i, name in enumerate(names)], dtype="str")
    rows = [(number - FIRST_ROW, cells, text) for number, cells, text in left_out if number is not None]
    if rows:
        every = pd.RangeIndex(len(frame) + len(rows))
        frame.index = every.delete([number - header_rows + 1 for number, _, _ in rows])
    frame.index = frame.index + header_rows - 1
    return RawTable(
        frame.dropna(how="all"),
        tuple((number, cells) for number, cells, text in rows if text.strip("\r\n")),
    )


def read_parquet(path: Path, columns: Sequence[str] | None = None) -> RawTable:
    """Read a Parquet file with its types, all columns or some; lists and records inside a cell are refused.

    Raises
    ------
    CohortError
        The file is missing, empty or no Parquet file, or has columns that are not single values.
    """
    frame, _ = _parquet_frame([path], columns)
    return RawTable(frame)


def read_alike(paths: Sequence[Path], columns: Sequence[str] | None = None) -> tuple[pd.DataFrame, list[int]] | None:
    """Read Parquet files of the same columns and types as one table; give how many rows each has. None where they differ.

    Raises
    ------
    CohortError
        One of them cannot be read; the message does not say which.
    """
    frame, lengths = _parquet_frame(paths, columns)
    return None if frame is None else (frame, lengths)


def _parquet_frame(paths: Sequence[Path], columns: Sequence[str] | None) -> tuple[Any, list[int]]:
    """Give the rows of the files and the number of those of each; None where their columns or types differ."""
    for path in paths:
        _head_of(path)
    first, what = paths[0], "a Parquet file"
    wanted = None if columns is None else list(columns)
    streams = read_apart(first, "parquet", what, paths[1:], columns=wanted)
    tables = [pa.ipc.open_stream(stream).read_all() for stream in streams]
    begins = [place for place, table in enumerate(tables) if not len(table)]
    files = [tables[begin:end] for begin, end in zip(begins, [*begins[1:], len(tables)], strict=True)]
    lengths = [sum(map(len, file)) for file in files]
    if any(not file[0].schema.equals(files[0][0].schema) for file in files[1:]):
        return None, lengths
    check_names(first.name, list(tables[0].column_names))
    try:
        table = pa.concat_tables(tables).unify_dictionaries()
        decimals = [field.name for field in table.schema if pa.types.is_decimal(field.type)]
        for name in decimals:  # as numbers, which pandas can compute with
            table = table.set_column(table.column_names.index(name), name, table[name].cast(pa.float64()))
        frame = table.to_pandas(
            ignore_metadata=True, types_mapper={pa.bool_(): pd.BooleanDtype()}.get, split_blocks=True
        )
    except (pa.ArrowException, ValueError, OverflowError) as error:  # a time that no calendar has
        raise damaged(first, what, (str(error).splitlines() or [""])[0]) from None
    for name, values in frame.items():
        if isinstance(values.dtype, pd.DatetimeTZDtype | np.dtypes.DateTime64DType) and not _of_our_calendar(values):
            raise damaged(first, what, f"the column {name!r} has times outside the years 1 to 9999")
    return frame, lengths


def _of_our_calendar(times: pd.Series) -> bool:
    ticks = times.dropna().astype("int64")
    per_second = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}[times.dt.unit]
    first, last = (stamp.timestamp() for stamp in (_FIRST_TIME, _LAST_TIME))
    return bool((ticks // per_second).between(first, last).all())


def read_table(
    path: Path,
    *,
    delimiter: str = ",",
    encoding: str | None = None,
    missing: Sequence[str] = USUAL_MISSING,
    sheet: str | None = None,
    catalog: Path | None = None,
    header_rows: int = 1,
    columns: Sequence[str] | None = None,
) -> RawTable:
    """Read a file by its ending: Parquet (all columns or some), Excel, SPSS, Stata, SAS; anything else as CSV.

    The options are those of :func:`read_csv`, of :func:`analysis.cohort.files.file_formats.read_workbook` and of
    :func:`analysis.cohort.files.file_formats.read_statistics_file`.
    """
    ending = path.suffix.lower()
    if header_rows > 1 and ending in (".parquet", ".pq", *STATISTICS_FILES):
        raise CohortError(
            f"The map gives {header_rows} header rows, and a file of this kind names its columns itself.",
            where=path.name,
            what_to_do="Remove header_rows from the map.",
        )
    with steps(f"reading {path.name}"):
        if ending in (".parquet", ".pq"):
            return read_parquet(path, columns)
        if ending in WORKBOOKS:
            _head_of(path)
            return read_workbook(path, sheet=sheet, missing=missing, header_rows=header_rows)
        if ending in STATISTICS_FILES:
            _head_of(path)
            return read_statistics_file(path, encoding=encoding, catalog=catalog)
        return read_csv(path, delimiter=delimiter, encoding=encoding, missing=missing, header_rows=header_rows)


def guess_header_rows(
    path: Path, *, delimiter: str = ",", encoding: str | None = None, sheet: str | None = None
) -> int:
    """Say how many rows the header of a text file or of a sheet of a workbook seems to have."""
    ending = path.suffix.lower()
    if ending in (".parquet", ".pq", *STATISTICS_FILES):
        return 1
    if ending in WORKBOOKS:
        return count_header_rows(first_rows_of_sheet(path, sheet, _LOOKED_AT))
    head = _head_of(path)
    text = head.decode("utf-8" if encoding is None else encoding, "replace").lstrip("\ufeff")
    try:
        return count_header_rows(_first_rows(text, delimiter, _LOOKED_AT)[0])
    except csv.Error:  # who reads it says why
        return 1


def _head_of(path: Path) -> bytes:
    refuse_no_file(path)
    try:
        with path.open("rb") as stream:
            head = stream.read(_HEAD)
    except FileNotFoundError:
        raise CohortError("There is no such file.", where=str(path), what_to_do="Check the path.") from None
    except OSError as error:
        raise CohortError(
            f"The file cannot be opened: {error.strerror}.", where=str(path), what_to_do="Check that you may read it."
        ) from None
    if not head.strip(b"\xef\xbb\xbf\xff\xfe \t\r\n\x00"):
        raise CohortError("The file is empty.", where=path.name, what_to_do="Export it again.")
    return head


def _column_names(path: Path, head: bytes, encoding: str, delimiter: str, header_rows: int) -> list[str]:
    """Read the header; a file that is no table, or has another delimiter, is refused here."""
    text = _decoded(head, encoding)
    start = text.lstrip()[:200].lower()
    for sign, what in (("<", "a web page or XML"), ("{", "JSON"), ("[", "JSON")):
        if start.startswith(sign):
            raise CohortError(
                f"The file is {what}, not a table.", where=path.name, what_to_do="Export the table as CSV."
            )
    try:
        rows, whole = _first_rows(text, delimiter, header_rows)
        if not whole and len(head) == _HEAD:
            with path.open("rb") as stream:
                head = stream.read(_LONGEST_HEADER)
            rows, whole = _first_rows(_decoded(head, encoding), delimiter, header_rows)
            if not whole and len(head) == _LONGEST_HEADER:
                raise CohortError(
                    f"The first row is longer than {_LONGEST_HEADER >> 20} MB; it cannot be the names of the columns.",
                    where=path.name,
                    what_to_do="Check the ends of the lines, and give a file whose first row names the columns.",
                )
    except csv.Error as error:
        raise CohortError(
            f"The header cannot be read: {error}.", where=path.name, what_to_do="Export it again as CSV."
        ) from None
    names = joined_header(rows) if header_rows > 1 and any(rows) else rows[0] if rows else []
    if len(names) < 2:
        header = names[0] if names else ""
        likely = max(DELIMITERS, key=header.count)
        if likely != delimiter and header.count(likely):
            said = DELIMITERS.get(delimiter, repr(delimiter))
            raise CohortError(
                f"The file has {DELIMITERS[likely]} between its cells, not {said}.",
                where=f"{path.name}, header: {header[:80]}",
                what_to_do=f"Set delimiter = {_toml(likely)} in the map file.",
            )
        raise CohortError(
            "The file is not a table: its first row has one cell only.",
            where=f"{path.name}, first row: {header[:80]}",
            what_to_do="Give a file whose first row names the columns, with a comma between the names.",
        )
    check_names(path.name, names)
    return names


def _refuse_empty_lines(path: Path, encoding: str, columns: int) -> None:
    """Refuse a file of empty lines under a wide header: each is a row of empty cells, where any other cell takes a byte."""
    size = path.stat().st_size
    cells = limits_of(size).cells
    if size * columns <= cells:
        return
    decoder, empty = codecs.getincrementaldecoder(encoding)(), 0
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            text = decoder.decode(block)
            empty += 2 * max(text.count(ends) for ends in ("\n\n", "\r\n\r\n", "\r\r"))
    if empty * columns > cells:
        raise too_many_cells(path.name, empty, columns)


def _decoded(head: bytes, encoding: str) -> str:
    return codecs.getincrementaldecoder(encoding)().decode(head).lstrip("\ufeff")


def _first_rows(text: str, delimiter: str, n: int) -> tuple[list[list[str]], bool]:
    """Read the cells of the first rows, and say whether the text goes on after them, so that they are surely whole."""
    stream = io.StringIO(text, newline="")
    return list(islice(csv.reader(stream, delimiter=delimiter), n)), stream.tell() < len(text)


def _toml(delimiter: str) -> str:
    return '"\\t"' if delimiter == "\t" else f'"{delimiter}"'
