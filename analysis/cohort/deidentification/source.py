"""Read every table of a source that is to be de-identified: files, all sheets of a workbook, and what is hidden in it."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from analysis.cohort.files.conversion import RawTable
from analysis.cohort.files.file_formats import WORKBOOKS, sheet_names
from analysis.cohort.files.readers import read_table
from analysis.errors import CohortError

#: Columns of a sheet are described before its cells, within so many bytes.
_HEAD = 1 << 18


@dataclass(frozen=True)
class SourceTables:
    """The tables by the name of their file or sheet, and what was met on the way that a person should know."""

    tables: dict[str, pd.DataFrame]
    told: tuple[str, ...]


def read_tables(source: Path, delimiter: str) -> SourceTables:
    """Read a file, or every file of a folder; labels of values stand in the place of their codes.

    Raises
    ------
    CohortError
        There is no such source, it holds a link or a folder, two tables have one name, or a file cannot be read.
    """
    if not source.exists():
        raise CohortError("There is no such file or folder.", where=str(source), what_to_do="Check the path.")
    paths = sorted(one for one in source.iterdir() if not one.name.startswith(".")) if source.is_dir() else [source]
    tables: dict[str, pd.DataFrame] = {}
    told: list[str] = []
    for path in paths:
        if path.is_symlink() or not path.is_file():
            raise CohortError(
                "The folder holds a link or a folder.", where=str(path), what_to_do="Put the tables into one folder."
            )
        for name, raw in _tables_of(path, delimiter, told):
            if name in tables:
                raise CohortError(
                    f"Two tables have the name {name}.", where=str(path), what_to_do="Give them different names."
                )
            tables[name] = raw.frame.assign(**{str(column): labels for column, labels in raw.labelled.items()})
    if not tables:
        raise CohortError("The folder holds no table.", where=str(source), what_to_do="Check the path.")
    return SourceTables(tables, tuple(told))


def _tables_of(path: Path, delimiter: str, told: list[str]) -> Iterator[tuple[str, RawTable]]:
    if path.suffix.lower() not in WORKBOOKS:
        yield path.stem, read_table(path, delimiter=delimiter)
        return
    names = sheet_names(path)
    told += _hidden(path)
    if len(names) == 1:
        yield path.stem, read_table(path)
        return
    n_skipped = 0
    for name in names:
        try:
            raw = read_table(path, sheet=name)
        except CohortError:
            n_skipped += 1
            continue
        yield name, raw
    if n_skipped == len(names):
        raise CohortError("No sheet of the workbook is a table.", where=path.name, what_to_do="Check the workbook.")
    if n_skipped:
        told.append(f"{n_skipped} of {len(names)} sheets are no tables and were left out.")


def _hidden(path: Path) -> list[str]:
    """Say how many sheets and columns of a workbook are hidden; they are read like the others."""
    with zipfile.ZipFile(path) as archive:
        parts = [name for name in archive.namelist() if re.fullmatch(r"xl/(?:workbook|worksheets/[^/]+)\.xml", name)]
        heads = {name: archive.open(name).read(_HEAD) for name in parts}
    sheets = sum(
        len(re.findall(rb'state="(?:veryHidden|hidden)"', head)) for name, head in heads.items() if "/workbook" in name
    )
    columns = 0
    for head in heads.values():
        for column in re.findall(rb"<(?:\w+:)?col [^>]*>", head):
            ends = [re.search(rb"\b" + key + rb'="(\d+)"', column) for key in (b"min", b"max")]
            if re.search(rb'hidden="(?:1|true)"', column) and all(ends):
                low, high = (int(end[1]) for end in ends if end is not None)
                columns += high - low + 1
    answer = []
    for n, what in ((sheets, "sheet"), (columns, "column")):
        if n:
            answer.append(
                f"{n:,} hidden {what}{'' if n == 1 else 's'} of the workbook {'was' if n == 1 else 'were'} read like the others."
            )
    return answer
