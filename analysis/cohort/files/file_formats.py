"""Read workbooks and the files of statistics programs: Excel, SPSS, Stata, SAS; value labels come along."""

from __future__ import annotations

import datetime as dt
import sys
import zipfile
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.files.conversion import RawTable
from analysis.cohort.files.header_rows import joined_header
from analysis.cohort.files.limits import limits_of
from analysis.cohort.files.reading_apart import damaged, read_apart
from analysis.cohort.findings import FIRST_ROW
from analysis.errors import CohortError

WORKBOOKS = (".xlsx", ".xlsm")
_WORKBOOK = "an Excel workbook"
STATISTICS_FILES = {
    ".sav": "an SPSS file",
    ".zsav": "an SPSS file",
    ".dta": "a Stata file",
    ".sas7bdat": "a SAS file",
    ".xpt": "a SAS transport file",
}
#: Whole numbers below are exact in a file of numbers, and are written with all their digits.
_LARGEST_WHOLE = 2.0**53
_NAMED = 12
#: Columns of a worksheet, at most.
_MOST_COLUMNS = 1 << 14
_OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"


def read_workbook(
    path: Path, *, sheet: str | None = None, missing: Sequence[str] = (), header_rows: int = 1
) -> RawTable:
    """Read one sheet of an Excel workbook (.xlsx, .xlsm); its first ``header_rows`` rows hold the names of the columns.

    Formulas give the values that were stored with them. Nothing in the workbook is run. ``sheet`` may be left out where there
    is one only; ``missing`` are texts that stand for a missing value. Columns of numbers, dates or true and false come as
    such, mixed columns as text; empty rows are left out.

    Raises
    ------
    CohortError
        The workbook is damaged, protected by a password, too large when unpacked, or has no such sheet.
    """
    _refuse_bomb(path)
    there, *portions = read_apart(path, "workbook", _WORKBOOK, sheet=sheet)
    place = f"{path.name}, sheet {_choose_sheet(path, there, sheet)}"
    rows = [row for portion in portions for row in portion]
    width = max((len(row) for _, row in rows), default=0)
    whole = [[*row, *[None] * (width - len(row))] for _, row in rows]
    n_header = sum(number <= header_rows for number, _ in rows)
    header = [_as_texts(row) for row in whole[:n_header]] if rows and rows[0][0] == 1 else []
    names = (joined_header(header) if header_rows > 1 else header[0]) if header else []
    if sum(bool(one) for one in names) < 2:
        raise CohortError(
            "The sheet is empty."
            if not width
            else "The sheet is not a table: its first row does not name the columns.",
            where=place,
            what_to_do="Choose the right sheet (sheet = ... in the map), with the names of the columns in its first row.",
        )
    check_names(place, names)
    names = [name or f"column {i + 1}" for i, name in enumerate(names)]
    absent = set(missing)
    columns = {label: _column([row[i] for row in whole[n_header:]], absent) for i, label in enumerate(names)}
    frame = pd.DataFrame(columns, columns=pd.Index(names, dtype="str"))
    frame.index = pd.Index([number - FIRST_ROW for number, _ in rows[n_header:]], dtype="int64")
    return RawTable(frame.dropna(how="all"))


def first_rows_of_sheet(path: Path, sheet: str | None, n: int) -> list[list[str]]:
    """Give the cells of the first rows of a sheet as text; none where the sheet is not said and there are several."""
    _refuse_bomb(path)
    _, *portions = read_apart(path, "workbook", _WORKBOOK, sheet=sheet)
    rows = [_as_texts(row) for portion in portions for _, row in portion][:n]
    width = max(map(len, rows), default=0)
    return [[*row, *[""] * (width - len(row))] for row in rows]


def read_statistics_file(path: Path, *, encoding: str | None = None, catalog: Path | None = None) -> RawTable:
    """Read an SPSS, Stata or SAS file: .sav, .zsav, .dta, .sas7bdat or .xpt.

    ``encoding`` is for texts of a file that says a wrong one, ``catalog`` the SAS catalog (.sas7bcat) with the value labels
    of a .sas7bdat file. Values declared missing are missing. A column whose every value has a label also stands in
    ``labelled``, its categories in the order of the codes; one that has labels for some values only (the ends of a scale)
    keeps its numbers. The index makes the first row row 1, as these programs number it: they have no row for the names.

    Raises
    ------
    CohortError
        The file is damaged, or not what its ending says.
    """
    what = STATISTICS_FILES[path.suffix.lower()]
    catalog_path = None if catalog is None else str(catalog.absolute())
    *portions, labels = read_apart(path, "statistics", what, encoding=encoding, catalog=catalog_path)
    names = list(portions[0])
    check_names(path.name, names)
    if not any(len(values) for values in portions[0].values()):
        raise CohortError("The file holds no row.", where=path.name, what_to_do="Export it again.")
    frame = pd.DataFrame({name: _typed([one[name] for one in portions]) for name in names})
    frame.columns, frame.index = pd.Index(names, dtype="str"), pd.RangeIndex(1, len(frame) + 1) - FIRST_ROW
    labelled = {name: _labelled(frame[name], labels[name]) for name in names if labels.get(name)}
    return RawTable(
        frame.dropna(how="all"), labelled={name: values for name, values in labelled.items() if values is not None}
    )


def check_names(place: str, names: list[str]) -> None:
    """Refuse columns without a name, two of the same name, and too many; ``place`` is the file or sheet.

    Raises
    ------
    CohortError
        There are more than a worksheet can have, several names are empty (one may be: a column of row names), or one comes twice.
    """
    if len(names) > _MOST_COLUMNS:
        raise CohortError(
            f"The table has {len(names):,} columns, more than the kit reads ({_MOST_COLUMNS:,}).",
            where=place,
            what_to_do="Export the columns that are needed; one row a value needs only a few.",
        )
    empty = [i + 1 for i, name in enumerate(names) if not name]
    twice = sorted(name for name, count in Counter(names).items() if name and count > 1)
    if twice or len(empty) > 1:
        raise CohortError(
            f"The column {twice[0]!r} comes twice." if twice else "Several columns have no name.",
            where=f"{place}, columns: {', '.join(names[:_NAMED])}{', ...' if len(names) > _NAMED else ''}",
            what_to_do="Give every column a name of its own.",
        )


def _refuse_bomb(path: Path) -> None:
    """Refuse what is no zip archive, and one that unpacks to far more than a workbook holds, before it is unpacked."""
    with path.open("rb") as stream:
        start = stream.read(4)
    if start == _OLD_WORKBOOK:
        raise CohortError(
            "The workbook is protected by a password, or of the old kind (.xls).",
            where=path.name,
            what_to_do="Open it, save it as .xlsx without a password (in a protected place), and import that.",
        )
    try:
        with zipfile.ZipFile(path) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
            encrypted = any(entry.flag_bits & 1 for entry in archive.infolist())
    except (zipfile.BadZipFile, OSError, ValueError, RuntimeError) as error:
        raise damaged(path, _WORKBOOK, str(error)) from None
    if encrypted:
        raise CohortError(
            "The workbook is protected by a password.", where=path.name, what_to_do="Save it without a password."
        )
    if unpacked > limits_of(path.stat().st_size).unpacked:
        raise CohortError(
            f"The workbook unpacks to {unpacked / 1e9:,.2f} GB and is not opened.",
            where=path.name,
            what_to_do="Check where the file comes from; save a large table as CSV or Parquet.",
        )


def sheet_names(path: Path) -> list[str]:
    """Give the names of the sheets of a workbook, in their order.

    Raises
    ------
    CohortError
        The file is not an Excel workbook, or it is damaged.
    """
    _refuse_bomb(path)
    return list(read_apart(path, "sheets", _WORKBOOK)[0])


def _choose_sheet(path: Path, names: list[str], wanted: str | None) -> str:
    there = ", ".join(names[:_NAMED]) + (f" and {len(names) - _NAMED} more" if len(names) > _NAMED else "")
    if wanted is None:
        if len(names) == 1:
            return names[0]
        raise CohortError(
            f"The workbook has {len(names)} sheets, and the map does not say which one is meant.",
            where=f"{path.name}, sheets: {there or 'none'}",
            what_to_do='Set sheet = "..." under [file] in the map file, or one for each table: [files] visits = { sheet = "..." }.',
        )
    if wanted not in names:
        raise CohortError(
            f"The workbook has no sheet {wanted!r}.",
            where=f"{path.name}, sheets: {there or 'none'}",
            what_to_do="Correct the name of the sheet in the map file; capitals and spaces count.",
        )
    return wanted


def _column(cells: list[Any], missing: set[str]) -> pd.Series:
    """Give a column its type where all cells share one, otherwise the cells as text."""
    cells = [None if isinstance(cell, str) and cell.strip() in missing else cell for cell in cells]
    kinds = {_kind(cell) for cell in cells if cell is not None}
    if kinds == {"number"}:
        return pd.Series([np.nan if cell is None else float(cell) for cell in cells], dtype="float64")
    if kinds == {"date"}:
        return pd.Series(pd.to_datetime(pd.Series(cells, dtype="object"), errors="coerce")).astype("datetime64[us]")
    if kinds == {"boolean"}:
        return pd.Series(cells, dtype="boolean")
    return pd.Series([None if cell is None else _as_text(cell) for cell in cells], dtype="str")


def _kind(cell: Any) -> str:
    if isinstance(cell, bool):
        return "boolean"
    if isinstance(cell, int | float):
        return "number" if abs(cell) <= sys.float_info.max or isinstance(cell, float) else "text"
    return "date" if isinstance(cell, dt.date) else "text"


def _as_texts(row: Sequence[Any]) -> list[str]:
    return ["" if cell is None else _as_text(cell).strip() for cell in row]


def _as_text(cell: Any) -> str:
    if isinstance(cell, dt.datetime):
        return cell.isoformat(sep=" ") if cell.time() != dt.time() else cell.date().isoformat()
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < _LARGEST_WHOLE else f"{cell:.15g}"
    return str(cell)


def _typed(portions: list[Any]) -> pd.Series:
    """Put the portions of a column together; an empty text of these programs is a missing value.

    Numbers and times come as arrays, texts as lists; a portion without a value is an array of NaN whatever the column.
    """
    if not any(isinstance(one, list) for one in portions):
        times = [one.dtype for one in portions if one.dtype.kind == "M"]
        return pd.Series(np.concatenate([one.astype(times[0]) for one in portions] if times else portions))
    texts = [None if cell is None or cell != cell else _as_text(cell) for portion in portions for cell in portion]
    text = pd.Series(texts, dtype="str").str.rstrip()
    return text.mask(text == "")


def _labelled(values: pd.Series, labels: Mapping[Any, str]) -> pd.Series | None:
    """Put labels in the place of codes; None where a value has no label, or two codes share one."""
    codes = list(labels)
    names = [str(labels[code]).strip() for code in codes]
    if pd.api.types.is_numeric_dtype(values.dtype):
        place = {float(code): i for i, code in enumerate(codes) if isinstance(code, int | float)}
        positions = values.map(place)
    else:
        positions = values.map({str(code): i for i, code in enumerate(codes)})
    if positions[values.notna()].isna().any() or len(set(names)) < len(names) or not all(names):
        return None
    used = np.unique(positions.dropna().to_numpy(dtype=np.int64))
    order = [names[i] for i in sorted(used, key=lambda i: _order_of(codes[i]))]
    texts = positions.map(dict(enumerate(names)))
    return pd.Series(pd.Categorical(texts, categories=pd.Index(order, dtype="str")), index=values.index)


def _order_of(code: Any) -> tuple[int, float, str]:
    return (0, float(code), "") if isinstance(code, int | float) else (1, 0.0, str(code))
