"""A cohort folder read part by part, as far as it can be read: whole, or some of its patients and columns."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pandas as pd

from analysis.cohort.checks.parts_check import PartsCheck
from analysis.cohort.columns import Column, convert
from analysis.cohort.files.conversion import add_ragged, convert_table
from analysis.cohort.files.limits import limits_of
from analysis.cohort.files.package_files import (
    below_each_other,
    file_in,
    files_of,
    read_descriptor,
    read_file,
    resources_of,
)
from analysis.cohort.files.package_schema import (
    misfit,
    read_as_of_day,
    read_columns,
    read_counted_from,
    read_own_part,
    read_own_programme,
    read_reference,
)
from analysis.cohort.files.partition import read_partition, value_in_words
from analysis.cohort.files.readers import read_alike
from analysis.cohort.files.selection import Selection, key_of
from analysis.cohort.findings import CheckReport, FindingList
from analysis.cohort.measures import Measures
from analysis.cohort.modalities import EARLIER_NAMES, with_current_names
from analysis.cohort.provenance import Provenance, describe_source
from analysis.cohort.tables import TABLES, Cohort, Privacy
from analysis.cohort.text_columns import ColumnSoFar, is_among, label_texts
from analysis.errors import CohortError

_RENAMED = "Kinds of session of an earlier version were read by the names of today: " + ", ".join(
    f"{earlier} is {today}" for earlier, today in EARLIER_NAMES.items()
)
_FROM_SOURCE = "Write the folder again from its source."
_PATIENT = Column("patient_id", "text", "")
#: Rows of all tables that are read and checked together, in whole parts (design choice): some 100 MB.
_ROWS_AT_ONCE = 1_000_000


@dataclass(frozen=True)
class _File:
    """A file of a table: its hash, the part of the folder that it is of, and the row of the table with which it begins."""

    path: str
    sha256: str | None = None
    part: int | None = None
    begin: int | None = None


@dataclass(frozen=True)
class Tables:
    """Tables of one or several parts, in their types, their index the rows of the whole table; and the part of each row."""

    frames: dict[str, pd.DataFrame]
    part: dict[str, np.ndarray]


class CohortFolder:
    """A cohort folder; what is wrong while it is read is kept as findings.

    Parameters
    ----------
    folder : Path
        The folder.
    selection : Selection
        Patients and columns that are read.
    only : int, optional
        The part that is read, from 0; all where it is left out.

    Raises
    ------
    CohortError
        The folder is no cohort folder, its descriptor cannot be read, or the selection names what is not there.
    """

    def __init__(self, folder: Path, selection: Selection | None = None, only: int | None = None) -> None:
        self.findings = FindingList()
        self._folder, self._selection, self._only = folder, selection or Selection(), only
        descriptor = read_descriptor(folder)
        own: tuple[Measures, Provenance, str] = read_own_part(descriptor)
        self.measures, self.provenance, privacy = own
        self.reference = read_reference(descriptor)
        self.counted_from = read_counted_from(descriptor)
        self.as_of = read_as_of_day(descriptor)
        self.programme = read_own_programme(descriptor)
        self.privacy: Privacy = "limited" if privacy == "limited" else "safe-harbor"
        if privacy not in get_args(Privacy):
            self.findings.add(
                "error", "", f"there is no privacy level {privacy!r}", f"Use one of: {', '.join(get_args(Privacy))}."
            )
        self.partition = read_partition(descriptor)
        self._resources: dict[str, dict[str, Any]] = {}
        for resource in resources_of(folder, descriptor):
            name = str(resource["name"])
            if name in TABLES:
                self._resources[name] = resource
            else:
                self.findings.add("warning", name, "the table is not a known one and is not used", "Remove it.")
        self._columns = {name: read_columns(resource) for name, resource in self._resources.items()}
        self._selection.refuse_unknown_tables(list(self._resources))
        for name, columns in self._columns.items():
            if columns:
                self._selection.refuse_unknown_columns(name, list(columns))
        if self.partition is not None:
            self._selection.refuse_unknown_values(self.partition.by, [part.value for part in self.partition.parts])
        if not self._selection.is_whole:
            self.provenance = self.provenance.with_step(self._selection.in_words())

    @property
    def n_parts(self) -> int:
        """Number of parts; 1 where the folder is not cut."""
        return 1 if self.partition is None else len(self.partition.parts)

    def tables(self) -> Iterator[Tables]:
        """Read the parts one after the other, small ones together: their tables, their index the rows of the whole table.

        Identifiers of patients are categories, but in the table patients.

        Raises
        ------
        CohortError
            The selection names what is not there, or nobody meets it.
        """
        for files in self._files():
            tables = self._read(files)
            if tables is not None:
                yield tables
        labels = {name: column.categories for name, column in self._columns.get("patients", {}).items()}
        all_seen = self.partition is None or self.partition.by not in self._selection.where
        self._selection.refuse_nothing(labels, all_seen=all_seen)

    def check(self, tables: dict[str, dict[str, ColumnSoFar]] | None = None) -> CheckReport:
        """Check the folder part by part; the columns of each part are added to ``tables``, where these are given."""
        check = PartsCheck(
            self.measures, self.privacy, self.findings, synthetic=self.provenance.scenario is not None,
            reference=self.reference, decided=self.provenance.decided, programme=self.programme,
            some=self._only is not None or bool(self._selection.where),
        )  # fmt: skip
        for some in self.tables():
            check.add(some.frames, some.part)
            if tables is not None:
                for name, frame in some.frames.items():
                    kept = self._selection.kept(name, list(frame.columns))
                    so_far = tables.setdefault(name, {one: ColumnSoFar(self._rows_of(name)) for one in kept})
                    for one, column in so_far.items():
                        column.add(label_texts(frame[one]) if one == "patient_id" else frame[one])
        return check.report()

    def read(self) -> tuple[dict[str, pd.DataFrame], CheckReport]:
        """Give the tables, with their rows in the order of the files, and every finding."""
        found: dict[str, dict[str, ColumnSoFar]] = {}
        report = self.check(found)
        if self._selection.where:
            found.pop("flow", None)  # it counts the patients of the whole cohort
        tables = {
            name: pd.DataFrame({one: column.whole() for one, column in found[name].items()}, copy=False)
            for name in self._resources
            if name in found
        }
        return tables, report

    def _rows_of(self, table: str) -> int:
        """Give how many rows of a table are read, at most; 0 where that is not known, or all come at once."""
        if self.partition is None or self._only is not None:
            return 0
        files = [part.files[table] for part in self.partition.parts if table in part.files]
        most = limits_of(sum(path.stat().st_size for path in self._folder.iterdir())).cells
        return min(sum(one.rows for one in files), most)

    def cohort(self, tables: Mapping[str, pd.DataFrame]) -> Cohort:
        """Make the cohort of tables that were read."""
        return Cohort(
            **tables,
            measures=self.measures, provenance=self.provenance, privacy=self.privacy, reference=self.reference,
            counted_from=self.counted_from, as_of=self.as_of, programme=self.programme,
        )  # fmt: skip

    def _files(self) -> Iterator[dict[str, list[_File]]]:
        """Give the files that may hold patients who are meant, by table, patients first; those of small parts together."""
        order = sorted(self._resources, key=lambda name: name != "patients")
        cut = self.partition.parts if self.partition is not None else ()
        files: dict[str, list[_File]] = {name: [] for name in order}
        for name in order:
            if not cut or name not in cut[0].files:
                paths, stated = files_of(self._resources[name]), self._resources[name].get("hash")
                sha256 = str(stated).removeprefix("sha256:") if stated is not None and len(paths) == 1 else None
                if self._only is None or not cut:
                    files[name] = [_File(path, sha256) for path in paths]
        if self.partition is None:
            yield files
            return
        begin, rows = dict.fromkeys(order, 0), 0
        for number, part in enumerate(cut):
            if self._only in (None, number) and self._selection.may_hold(self.partition.by, part.value):
                here = sum(one.rows for one in part.files.values())
                if rows and rows + here > _ROWS_AT_ONCE:
                    yield files
                    files, rows = {name: [] for name in order}, 0
                rows += here
                for name in order:
                    if name in part.files:
                        one = part.files[name]
                        files[name].append(_File(one.path, one.sha256, number, begin[name]))
            begin |= {name: begin[name] + one.rows for name, one in part.files.items() if name in begin}
        yield files

    def _read(self, files: Mapping[str, list[_File]]) -> Tables | None:
        """Read the tables of some parts; None where none of their patients is meant."""
        tables = Tables({}, {})
        meant: pd.Series | None = None
        opened: set[int | None] | None = None
        for name, some in files.items():
            chosen = [one for one in some if opened is None or one.part is None or one.part in opened]
            raw, part = self._read_table(name, chosen) if chosen else (None, np.array([]))
            if raw is None:
                continue
            frame = with_current_names(raw) if name == "sessions" else raw
            if frame is not raw and _RENAMED not in self.provenance.steps:
                self.provenance = self.provenance.with_step(_RENAMED)
            rows = None
            if self._selection.where and name == "patients":
                self._selection.refuse_unknown_columns(name, [str(one) for one in frame.columns])
                scratch = convert_table(frame, TABLES["patients"], FindingList(), self._columns[name])
                rows = self._selection.matches(scratch)
                if not rows.any():
                    return None
                opened = set(part[rows].tolist())
                meant = scratch["patient_id"][rows] if "patient_id" in scratch else None
            elif meant is not None and "patient_id" in frame:
                rows = is_among(convert(frame["patient_id"], replace(_PATIENT, kind="category"))[0], meant)
            frame, part = (frame, part) if rows is None else (frame[rows], part[rows])
            held = () if name == "patients" else ("patient_id",)
            tables.frames[name] = convert_table(
                frame, TABLES[name], self.findings, self._columns[name], held=held  # type: ignore[index]
            )  # fmt: skip
            tables.part[name] = part
        self._check_values(tables)
        return Tables({name: tables.frames[name] for name in self._resources if name in tables.frames}, tables.part)

    def _read_table(self, name: str, files: list[_File]) -> tuple[pd.DataFrame | None, np.ndarray]:
        """Read files of a table as they are, and the part of each row; None where none can be read, which is a finding."""
        there = list(self._columns[name])
        by = None if self.partition is None else self.partition.by
        wanted = self._selection.read(name, there, by) if there and not self._selection.is_whole else None
        whole = self._read_together(name, files, wanted) or self._read_each(name, files, wanted)
        if whole is None:
            return None, np.array([])
        frame, part = whole
        if wanted is None and not self._selection.is_whole:
            self._selection.refuse_unknown_columns(name, [str(one) for one in frame.columns])
            wanted = self._selection.read(name, [str(one) for one in frame.columns], by)
        return frame if wanted is None else frame[[one for one in frame.columns if str(one) in wanted]], part

    def _read_together(
        self, name: str, files: list[_File], wanted: list[str] | None
    ) -> tuple[pd.DataFrame, np.ndarray] | None:
        """Read files of several parts at once; None where one has to be looked at by itself."""
        if len(files) < 2 or any(file.part is None or file.begin is None for file in files):
            return None
        try:
            paths = [file_in(self._folder, name, file.path) for file in files]
            found = read_alike(paths, wanted)
        except CohortError:
            return None
        if found is None or misfit(found[0], self._columns[name], wanted):
            return None
        for file in files:
            self._check_hash(name, file)
        frame, lengths = found
        begins = [file.begin or 0 for file in files]
        frame.index = pd.Index(
            np.concatenate([np.arange(begin, begin + n) for begin, n in zip(begins, lengths, strict=True)])
        )
        return frame, np.repeat([file.part or 0 for file in files], lengths)

    def _read_each(
        self, name: str, files: list[_File], wanted: list[str] | None
    ) -> tuple[pd.DataFrame, np.ndarray] | None:
        """Read one file after the other; those that cannot be read are findings, and None where there is no other."""
        frames, parts, begin = [], [], 0
        for file in files:
            begin = begin if file.begin is None else file.begin
            try:
                raw = read_file(self._folder, self._resources[name], file.path, wanted)
            except CohortError as error:
                self.findings.add("error", name, f"{error.what} ({error.where})", error.what_to_do)
                continue
            self._check_hash(name, file)
            ragged = tuple((row + begin, cells) for row, cells in raw.ragged)
            add_ragged(replace(raw, ragged=ragged), name, self.findings)
            problem = misfit(raw.frame, self._columns[name], wanted) if file.part is not None else ""
            if problem:
                self.findings.add("error", name, f"{problem} ({file.path})", _FROM_SOURCE)
                continue
            frame = raw.frame
            if begin:
                frame.index = frame.index + begin
            begin = 1 + max([begin - 1, *frame.index[-1:], *(row for row, _ in ragged[-1:])])
            frames.append(frame)
            parts.append(np.full(len(frame), file.part or 0))
        if not frames:
            return None
        return frames[0] if len(frames) == 1 else below_each_other(frames), np.concatenate(parts)

    def _check_hash(self, name: str, file: _File) -> None:
        """Find a file, which was read, that was changed since the folder was written."""
        if file.sha256 is not None and file.sha256 != describe_source(self._folder / file.path).sha256:
            which = "the file" if file.part is None else f"the file {file.path}"
            self.findings.add(
                "warning", name, f"{which} was changed after the folder was written",
                "Check that the change was meant; import the source again to have it on record.",
            )  # fmt: skip

    def _check_values(self, tables: Tables) -> None:
        """Find patients who stand in the part of another value than theirs."""
        patients = tables.frames.get("patients", pd.DataFrame())
        if self.partition is None or self.partition.by not in patients:
            return
        codes, found = pd.factorize(patients[self.partition.by])
        place = {**{key_of(one): code for code, one in enumerate(found)}, None: -1}
        expected = np.array([place.get(key_of(part.value), -2) for part in self.partition.parts])
        wrong = codes != expected[tables.part["patients"]]
        values = [self.partition.parts[part].value for part in tables.part["patients"][wrong]]
        problems = [f"the patient stands in the part of those with {value_in_words(value)}" for value in values]
        rows = pd.Series(wrong, index=patients.index)
        self.findings.add_rows("error", "patients", patients, rows, self.partition.by, problems, _FROM_SOURCE)
