"""A cohort folder read part by part, as far as it can be read: whole, or some of its patients and columns."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pandas as pd

from analysis.cohort.checks.parts_check import PartsCheck
from analysis.cohort.columns import Column, convert, is_among, join_columns
from analysis.cohort.files.conversion import RawTable, add_ragged, convert_table
from analysis.cohort.files.package_files import files_of, read_descriptor, read_file
from analysis.cohort.files.package_schema import (
    read_as_of_day,
    read_columns,
    read_counted_from,
    read_own_part,
    read_own_programme,
    read_reference,
)
from analysis.cohort.files.partition import Part, read_partition, value_in_words
from analysis.cohort.files.selection import Selection
from analysis.cohort.findings import CheckReport, FindingList
from analysis.cohort.measures import Measures
from analysis.cohort.modalities import EARLIER_NAMES, with_current_names
from analysis.cohort.provenance import Provenance, describe_source
from analysis.cohort.tables import TABLES, Cohort, Privacy, kind_of
from analysis.errors import CohortError

#: Counts of the flow, which a person may put into the folder; the descriptor need not name it.
FLOW_FILE = "flow.csv"
_RENAMED = "Kinds of session of an earlier version were read by the names of today: " + ", ".join(
    f"{earlier} is {today}" for earlier, today in EARLIER_NAMES.items()
)
_FROM_SOURCE = "Write the folder again from its source."
_PATIENT = Column("patient_id", "text", "")


def resources_of(folder: Path, descriptor: dict[str, Any]) -> list[dict[str, Any]]:
    """Give the resources of a descriptor, and :data:`FLOW_FILE` where a person has put that file beside them."""
    named: list[dict[str, Any]] = descriptor["resources"]
    if (folder / FLOW_FILE).is_file() and all(one["name"] != "flow" for one in named):
        return [*named, {"name": "flow", "path": FLOW_FILE}]
    return named


def table_of(folder: Path, resource: dict[str, Any]) -> pd.DataFrame:
    """Give a table as its files hold it, without a look at what is in them.

    Raises
    ------
    CohortError
        A path leads out of the folder, or a file cannot be read.
    """
    frames = [read_file(folder, resource, path).frame for path in files_of(resource)]
    return frames[0] if len(frames) == 1 else _below_each_other(frames)


@dataclass(frozen=True)
class _Files:
    """The files of a table within one part of the folder, their hashes, and the row of the table with which they begin."""

    paths: tuple[str, ...]
    hashes: tuple[str | None, ...]
    begin: int = 0


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

    def parts(self) -> Iterator[dict[str, pd.DataFrame]]:
        """Read one part after the other: its tables in their types, their index the rows of the whole table, from 0.

        Identifiers of patients are categories, but in the table patients.

        Raises
        ------
        CohortError
            The selection names what is not there, or nobody meets it.
        """
        for value, files in self._files():
            tables = self._read_part(value, files)
            if tables:
                yield tables
        labels = {name: column.categories for name, column in self._columns.get("patients", {}).items()}
        all_seen = self.partition is None or self.partition.by not in self._selection.where
        self._selection.refuse_nothing(labels, all_seen=all_seen)

    def check(self, tables: dict[str, list[dict[str, pd.Series]]] | None = None) -> CheckReport:
        """Check the folder part by part; the columns of each part are added to ``tables``, where these are given."""
        check = PartsCheck(
            self.measures, self.privacy, self.findings, synthetic=self.provenance.scenario is not None,
            reference=self.reference, decided=self.provenance.decided, programme=self.programme,
            some=self._only is not None or bool(self._selection.where),
        )  # fmt: skip
        for part in self.parts():
            check.add(part)
            if tables is not None:
                for name, frame in part.items():
                    kept = self._selection.kept(name, list(frame.columns))
                    tables.setdefault(name, []).append({one: frame[one] for one in kept})
        return check.report()

    def read(self) -> tuple[dict[str, pd.DataFrame], CheckReport]:
        """Give the tables, with their rows in the order of the files, and every finding."""
        parts: dict[str, list[dict[str, pd.Series]]] = {}
        report = self.check(parts)
        if self._selection.where:
            parts.pop("flow", None)  # it counts the patients of the whole cohort
        return {name: _joined(parts.pop(name)) for name in self._resources if name in parts}, report

    def cohort(self, tables: Mapping[str, pd.DataFrame]) -> Cohort:
        """Make the cohort of tables that were read."""
        return Cohort(
            **tables,
            measures=self.measures, provenance=self.provenance, privacy=self.privacy, reference=self.reference,
            counted_from=self.counted_from, as_of=self.as_of, programme=self.programme,
        )  # fmt: skip

    def _files(self) -> Iterator[tuple[Part | None, dict[str, _Files]]]:
        """Give the parts that may hold patients who are meant, and the files of each by table, patients first."""
        order = sorted(self._resources, key=lambda name: name != "patients")
        whole = {}
        for name in order:
            stated = self._resources[name].get("hash")
            if self.partition is None or name not in self.partition.parts[0].files:
                paths = files_of(self._resources[name])
                one = str(stated).removeprefix("sha256:") if stated is not None and len(paths) == 1 else None
                whole[name] = _Files(tuple(paths), (one, *[None] * (len(paths) - 1)))
        if self.partition is None:
            yield None, whole
            return
        begin = dict.fromkeys(order, 0)
        for number, part in enumerate(self.partition.parts):
            own = {
                name: _Files((part.files[name].path,), (part.files[name].sha256,), begin[name])
                for name in order
                if name in part.files
            }
            begin |= {name: begin[name] + one.rows for name, one in part.files.items() if name in begin}
            if self._only in (None, number) and self._selection.may_hold(self.partition.by, part.value):
                yield part, own | (whole if self._only is None else {})
                whole = {}

    def _read_part(self, part: Part | None, files: Mapping[str, _Files]) -> dict[str, pd.DataFrame]:
        """Read the tables of a part; none where none of its patients is meant."""
        tables: dict[str, pd.DataFrame] = {}
        meant: pd.Series | None = None
        for name, some in files.items():
            raw = self._read_table(name, some, part)
            if raw is None:
                continue
            frame = with_current_names(raw) if name == "sessions" else raw
            if frame is not raw and _RENAMED not in self.provenance.steps:
                self.provenance = self.provenance.with_step(_RENAMED)
            if self._selection.where and name == "patients":
                self._selection.refuse_unknown_columns(name, [str(one) for one in frame.columns])
                scratch = convert_table(frame, TABLES["patients"], FindingList(), self._columns[name])
                frame = frame[self._selection.matches(scratch)]
                if frame.empty:
                    return {}
                meant = scratch["patient_id"].loc[frame.index] if "patient_id" in scratch else None
            elif meant is not None and "patient_id" in frame:
                frame = frame[is_among(convert(frame["patient_id"], _held(_PATIENT))[0], meant)]
            held = () if name == "patients" else ("patient_id",)
            tables[name] = convert_table(
                frame, TABLES[name], self.findings, self._columns[name], held=held  # type: ignore[index]
            )  # fmt: skip
        self._check_value(part, tables.get("patients", pd.DataFrame()))
        return {name: tables[name] for name in self._resources if name in tables}

    def _read_table(self, name: str, files: _Files, part: Part | None) -> pd.DataFrame | None:
        """Read the files of a table in one part, as they are; None where one cannot be read, which is a finding."""
        frames = []
        begin, there = files.begin, list(self._columns[name])
        by = None if self.partition is None else self.partition.by
        wanted = self._selection.read(name, there, by) if there and not self._selection.is_whole else None
        for path, stated in zip(files.paths, files.hashes, strict=True):
            try:
                raw = read_file(self._folder, self._resources[name], path, wanted)
            except CohortError as error:
                self.findings.add("error", name, f"{error.what} ({error.where})", error.what_to_do)
                return None
            add_ragged(
                replace(raw, ragged=tuple((row + begin, cells) for row, cells in raw.ragged)), name, self.findings
            )
            if stated is not None and stated != describe_source(self._folder / path).sha256:
                which = "the file" if part is None else f"the file {path}"
                self.findings.add(
                    "warning",
                    name,
                    f"{which} was changed after the folder was written",
                    "Check that the change was meant; import the source again to have it on record.",
                )
            if part is not None and (problem := _misfit(raw, self._columns[name], wanted)):
                self.findings.add("error", name, f"{problem} ({path})", _FROM_SOURCE)
                return None
            frame = raw.frame
            if begin:
                frame.index = frame.index + begin
            begin = 1 + max([begin - 1, *frame.index[-1:], *(row + begin for row, _ in raw.ragged[-1:])])
            frames.append(frame)
        whole = frames[0] if len(frames) == 1 else _below_each_other(frames)
        if wanted is None and not self._selection.is_whole:
            self._selection.refuse_unknown_columns(name, [str(one) for one in whole.columns])
            wanted = self._selection.read(name, [str(one) for one in whole.columns], by)
        return whole if wanted is None else whole[[one for one in whole.columns if str(one) in wanted]]

    def _check_value(self, part: Part | None, patients: pd.DataFrame) -> None:
        """Find patients who stand in the part of another value than theirs."""
        if part is None or self.partition is None or self.partition.by not in patients:
            return
        by = self.partition.by
        theirs = Selection(where={by: [part.value]}).matches(patients)
        problem = f"the patient stands in the part of those with {value_in_words(part.value)}"
        self.findings.add_rows(
            "error", "patients", patients, pd.Series(~theirs, index=patients.index), by, problem, _FROM_SOURCE
        )


def _misfit(raw: RawTable, columns: Mapping[str, Column], wanted: Sequence[str] | None) -> str:
    """Say how a part of a table differs from what the descriptor says of it; empty where it does not."""
    there = [str(name) for name in raw.frame.columns]
    expected = [name for name in columns if wanted is None or name in wanted]
    lacking = [name for name in expected if name not in there]
    further = [name for name in there if name not in expected]
    if lacking or further:
        parts = [f"lacks the column {', '.join(lacking)}"] if lacking else []
        parts += [f"has the further column {', '.join(further)}"] if further else []
        return f"a part of the table {' and '.join(parts)}"
    for name in expected:
        kinds = [_text_or(kind) for kind in (kind_of(raw.frame[name]), columns[name].kind)]
        if kinds[0] != kinds[1] and raw.frame[name].notna().any():
            return f"a part of the table holds {_IN_WORDS[kinds[0]]} in the column {name}, where the others hold {_IN_WORDS[kinds[1]]}"
    return ""


_IN_WORDS = {"text": "text", "number": "numbers", "boolean": "true or false", "date": "dates"}


def _text_or(kind: str) -> str:
    return "text" if kind == "category" else kind


def _held(column: Column) -> Column:
    return replace(column, kind="category")


def _below_each_other(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put files of one table below each other; a column that a file lacks is missing there."""
    names = list(dict.fromkeys(str(name) for frame in frames for name in frame.columns))
    whole = pd.DataFrame(
        {name: join_columns([frame.reindex(columns=names)[name] for frame in frames]) for name in names}
    )
    whole.index = pd.Index(np.concatenate([frame.index.to_numpy() for frame in frames]))
    return whole


def _joined(parts: list[dict[str, pd.Series]]) -> pd.DataFrame:
    """Make a table of the columns of its parts, which are given free one by one; identifiers become text."""
    columns = {}
    for name in list(parts[0]):
        pieces = [part.pop(name) for part in parts]
        columns[name] = join_columns([one.astype("str") for one in pieces] if name == "patient_id" else pieces)
    return pd.DataFrame(columns, copy=False)
