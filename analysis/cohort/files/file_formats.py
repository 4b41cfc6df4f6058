"""Read workbooks and the files of statistics programs: Excel, SPSS, Stata, SAS; value labels come along."""

from __future__ import annotations

import datetime as dt
import zipfile
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.files.conversion import RawTable
from analysis.errors import CohortError

WORKBOOKS = (".xlsx", ".xlsm")
STATISTICS_FILES = {
    ".sav": "an SPSS file",
    ".zsav": "an SPSS file",
    ".dta": "a Stata file",
    ".sas7bdat": "a SAS file",
    ".xpt": "a SAS transport file",
}
#: A workbook that unpacks to more than this is refused (design choice): 1,048,576 rows of 30 numbers take about 1 GB.
MOST_UNPACKED_BYTES = 2 << 30
#: Most cells of one table, a guard against files of a few bytes that say they hold billions (design choice).
MOST_CELLS = 1 << 31
#: Whole numbers below are exact in a file of numbers, and are written with all their digits.
_LARGEST_WHOLE = 2.0**53
_NAMED = 12
#: Columns of a worksheet, at most.
_MOST_COLUMNS = 1 << 14
_OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"


def read_workbook(path: Path, *, sheet: str | None = None, missing: Sequence[str] = ()) -> RawTable:
    """Read one sheet of an Excel workbook (.xlsx, .xlsm); its first row holds the names of the columns.

    Formulas give the values that were stored with them. Nothing in the workbook is run. ``sheet`` may be left out where there
    is one only; ``missing`` are texts that stand for a missing value. Columns of numbers, dates or true and false come as
    such, mixed columns as text; empty rows are left out.

    Raises
    ------
    CohortError
        The workbook is damaged, protected by a password, too large when unpacked, or has no such sheet.
    """
    _refuse_bomb(path)
    name, rows = _rows_of_sheet(path, sheet)
    place = f"{path.name}, sheet {name}"
    width = max((len(row) - _trailing(row) for row in rows), default=0)
    whole = [[*row, *[None] * (width - len(row))][:width] for row in rows] or [[]]
    names = ["" if cell is None else _as_text(cell).strip() for cell in whole[0]]
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
    columns = {label: _column([row[i] for row in whole[1:]], absent) for i, label in enumerate(names)}
    return RawTable(pd.DataFrame(columns, columns=pd.Index(names, dtype="str")).dropna(how="all"))


def read_statistics_file(path: Path, *, encoding: str | None = None, catalog: Path | None = None) -> RawTable:
    """Read an SPSS, Stata or SAS file: .sav, .zsav, .dta, .sas7bdat or .xpt.

    ``encoding`` is for texts of a file that says a wrong one, ``catalog`` the SAS catalog (.sas7bcat) with the value labels
    of a .sas7bdat file. Values declared missing are missing. A column whose every value has a label also stands in
    ``labelled``, its categories in the order of the codes; one that has labels for some values only (the ends of a scale)
    keeps its numbers.

    Raises
    ------
    CohortError
        The file is damaged, or not what its ending says.
    """
    import pyreadstat

    ending = path.suffix.lower()
    readers: dict[str, Any] = {
        ".sav": pyreadstat.read_sav,
        ".zsav": pyreadstat.read_sav,
        ".dta": pyreadstat.read_dta,
        ".sas7bdat": pyreadstat.read_sas7bdat,
        ".xpt": pyreadstat.read_xport,
    }
    options: dict[str, Any] = {"encoding": encoding}
    if ending == ".sas7bdat" and catalog is not None:
        options["catalog_file"] = str(catalog)
    try:
        _, header = readers[ending](str(path), metadataonly=True, encoding=encoding)
        _refuse_too_many(path, header.number_rows or 0, len(header.column_names))
        frame, about = readers[ending](str(path), dates_as_pandas_datetime=True, **options)
    except CohortError:
        raise
    except Exception as error:  # the library raises its own error, OverflowError, UnicodeDecodeError and others
        raise _damaged(path, STATISTICS_FILES[ending], error) from None
    names = [str(name) for name in frame.columns]
    check_names(path.name, names)
    if frame.empty:
        raise CohortError("The file holds no row.", where=path.name, what_to_do="Export it again.")
    frame.columns = pd.Index(names, dtype="str")
    labels: Mapping[str, Mapping[Any, str]] = about.variable_value_labels
    frame = pd.DataFrame({name: _typed(frame[name]) for name in names})
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


def _refuse_too_many(path: Path, rows: int, columns: int) -> None:
    if rows * max(1, columns) > MOST_CELLS:
        raise CohortError(
            f"The file says that it holds {rows:,} rows of {columns:,} columns, more than the kit reads.",
            where=path.name,
            what_to_do="Check where the file comes from; export the columns and rows that are needed.",
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
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        raise _damaged(path, "an Excel workbook", error) from None
    if encrypted:
        raise CohortError(
            "The workbook is protected by a password.", where=path.name, what_to_do="Save it without a password."
        )
    if unpacked > MOST_UNPACKED_BYTES:
        raise CohortError(
            f"The workbook unpacks to {unpacked / 1e9:,.1f} GB and is not opened.",
            where=path.name,
            what_to_do="Check where the file comes from; save a large table as CSV or Parquet.",
        )


def _damaged(path: Path, what: str, error: Exception) -> CohortError:
    reason = (str(error).splitlines() or [""])[0].strip() or type(error).__name__
    return CohortError(
        f"The file is not {what}, or it is damaged.",
        where=f"{path.name}: {reason}",
        what_to_do="Save or export it again, or give it the ending that fits it.",
    )


def sheet_names(path: Path) -> list[str]:
    """Give the names of the sheets of a workbook, in their order.

    Raises
    ------
    CohortError
        The file is not an Excel workbook, or it is damaged.
    """
    import openpyxl

    _refuse_bomb(path)
    with path.open("rb") as stream:
        try:
            book = openpyxl.load_workbook(stream, read_only=True, keep_links=False)
            try:
                return [one.title for one in book.worksheets]
            finally:
                book.close()
        except Exception as error:  # the library raises whatever its parser meets: KeyError, ValueError, its own
            raise _damaged(path, "an Excel workbook", error) from None


def _rows_of_sheet(path: Path, sheet: str | None) -> tuple[str, list[tuple[Any, ...]]]:
    import openpyxl

    with path.open("rb") as stream:
        try:
            book = openpyxl.load_workbook(stream, read_only=True, data_only=True, keep_links=False)
            try:
                name = _choose_sheet(path, [one.title for one in book.worksheets], sheet)
                table = book[name]
                table.reset_dimensions()
                return name, [tuple(row) for row in table.iter_rows(values_only=True)]
            finally:
                book.close()
        except CohortError:
            raise
        except Exception as error:  # the library raises whatever its parser meets: KeyError, ValueError, its own
            raise _damaged(path, "an Excel workbook", error) from None


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


def _trailing(row: tuple[Any, ...]) -> int:
    return next((i for i, cell in enumerate(reversed(row)) if cell is not None), len(row))


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
        return "number"
    return "date" if isinstance(cell, dt.date) else "text"


def _as_text(cell: Any) -> str:
    if isinstance(cell, dt.datetime):
        return cell.isoformat(sep=" ") if cell.time() != dt.time() else cell.date().isoformat()
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < _LARGEST_WHOLE else f"{cell:.15g}"
    return str(cell)


def _typed(values: pd.Series) -> pd.Series:
    """Give texts their type; an empty text of these programs is a missing value."""
    if values.dtype != object and not pd.api.types.is_string_dtype(values.dtype):
        return values
    text = values.map(lambda cell: None if cell is None or cell != cell else _as_text(cell)).astype("str").str.rstrip()
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
