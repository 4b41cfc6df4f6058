"""The files that a map names: found in a folder without following links, each read once."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path

import pandas as pd

from analysis.cohort.checks.links import links_of
from analysis.cohort.files.conversion import RawTable, add_ragged
from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.files.readers import read_table
from analysis.cohort.findings import FindingList
from analysis.cohort.importing.map_keys import FileFormat, PatientColumn
from analysis.cohort.importing.source_rows import SourceRows
from analysis.errors import CohortError

_NAMES_LISTED = 40


class Sources:
    """The file, or the folder of files, that is imported; ``map_name`` is for messages.

    Raises
    ------
    CohortError
        The folder holds a link, or is a cohort folder already.
    """

    def __init__(self, path: Path, map_name: str, findings: FindingList) -> None:
        self.path, self.map_name, self.findings = path, map_name, findings
        self.files: list[Path] = []
        self._tables: dict[FileFormat, tuple[RawTable, str]] = {}
        self._rows: dict[tuple[FileFormat, str | None, tuple[tuple[str, str], ...]], SourceRows] = {}
        if path.is_dir():
            _refuse_folder(path)

    def refuse_unnamed(self, forms: Mapping[str, FileFormat]) -> None:
        """Refuse a folder where the map does not name the file of every table; ``forms`` are those of the tables, by name.

        Raises
        ------
        CohortError
            A table has no file; the message names it, and the files that are there.
        """
        unnamed = [table for table, form in forms.items() if form.file is None]
        if self.path.is_dir() and unnamed:
            lines = [f'{table} = "name of the file"' for table in unnamed]
            raise CohortError(
                f"A folder is imported, and the map does not say which file holds the {' and the '.join(unnamed)}.",
                where=f"{self.map_name}, [files]; {_files_in(self.path)}",
                what_to_do=f"Add under [files]: {', '.join(lines)}.",
            )

    def rows(self, form: FileFormat, patient: PatientColumn, columns: Iterable[str | None]) -> SourceRows:
        """Read a file, or take it as read before, and check that it has the columns that the map names.

        Raises
        ------
        CohortError
            The file cannot be read, or lacks columns; the message lists what is there.
        """
        raw, name = self._read(form)
        there = [str(column) for column in raw.frame.columns]
        wanted = dict.fromkeys([patient.column, *columns])
        lacking = [column for column in wanted if column is not None and column not in there]
        if lacking:
            raise CohortError(
                f"The map names columns that the file lacks: {', '.join(lacking)}.",
                where=f"{name} has the columns: {listed(there)}",
                what_to_do=f"Correct the names in {self.map_name}; capitals and spaces count.",
            )
        key = (form, patient.column, tuple(patient.recode.items()))
        if key not in self._rows:
            self._rows[key] = SourceRows(raw, form, name, patient, self.findings)
        return self._rows[key]

    def check_links(self, patients: SourceRows) -> None:
        """Find files whose patients are not all in the file of the patients; fewer than half are an error."""
        for (_, column, _), rows in self._rows.items():
            for link in links_of({rows.name: rows.ids}, patients.ids):
                if not link.whole:
                    self.findings.add(
                        "error" if link.too_few else "warning", rows.name, link.in_words(patients.name),
                        "Write the patients the same way in both files, or leave out the rows of others.",
                        column=column or "patient_id",
                    )  # fmt: skip

    @property
    def n_rows(self) -> int:
        """Rows of all tables read."""
        return sum(len(raw.frame) for raw, _ in self._tables.values())

    def column_names(self, form: FileFormat) -> list[str]:
        """Give the names of the columns of a file."""
        return [str(name) for name in self._read(form)[0].frame.columns]

    def frame(self, form: FileFormat) -> pd.DataFrame:
        """Give a table as it was read."""
        return self._read(form)[0].frame

    def name_of(self, form: FileFormat) -> str:
        """Give the name of a file or sheet, for messages."""
        return self._read(form)[1]

    def _read(self, form: FileFormat) -> tuple[RawTable, str]:
        if form not in self._tables:
            path = self._find(form.file)
            catalog = None if form.catalog is None else self._find(form.catalog, beside=True)
            raw = read_table(
                path, delimiter=form.delimiter, encoding=form.encoding, missing=form.missing, sheet=form.sheet,
                catalog=catalog, header_rows=form.header_rows,
            )  # fmt: skip
            name = path.name + (f", sheet {form.sheet}" if form.sheet else "")
            add_ragged(raw, name, self.findings)
            self._tables[form] = (raw, name)
            self.files += [one for one in (path, catalog) if one is not None and one not in self.files]
        return self._tables[form]

    def _find(self, name: str | None, *, beside: bool = False) -> Path:
        if name is None:
            return self.path
        if not self.path.is_dir():
            if name == self.path.name:
                return self.path
            if not beside:
                raise CohortError(
                    f"The map names the file {name!r}, but one file is imported, {self.path.name}.",
                    where=self.map_name,
                    what_to_do="Import the folder that holds both, or name sheets of the workbook.",
                )
        folder = self.path if self.path.is_dir() else self.path.parent
        there = _files_in(folder)
        if Path(name).name != name or name in (".", ".."):
            raise CohortError(
                f"{name!r} is not the name of a file in the folder.",
                where=self.map_name,
                what_to_do="Put all files into one folder, and give their names without a path.",
            )
        path = folder / name
        refuse_impossible_name(path)
        if not path.is_file():
            raise CohortError(
                f"The map names the file {name!r}, which is not there.",
                where=there,
                what_to_do=f"Correct the name in {self.map_name}.",
            )
        _refuse_link(path)
        return path


def listed(names: list[str]) -> str:
    """Name columns for a message, the first forty."""
    more = f" and {len(names) - _NAMES_LISTED} more" if len(names) > _NAMES_LISTED else ""
    return ", ".join(names[:_NAMES_LISTED]) + more


def _files_in(folder: Path) -> str:
    names = sorted(one.name for one in folder.iterdir() if one.is_file())[:_NAMES_LISTED]
    return f"{folder.name} holds: {', '.join(names) or 'no file'}"


def _refuse_folder(folder: Path) -> None:
    for path in sorted(folder.iterdir()):
        _refuse_link(path)
    if (folder / "datapackage.json").exists():
        raise CohortError(
            "The folder is a data package already.",
            where=str(folder),
            what_to_do="Use it as it is: kneecurve check FOLDER, kneecurve report ... FOLDER.",
        )


def _refuse_link(path: Path) -> None:
    if path.is_symlink() or os.path.realpath(path) != str(Path(os.path.realpath(path.parent)) / path.name):
        raise CohortError(
            "The folder holds a link.", where=str(path), what_to_do="Put the file itself into the folder."
        )
