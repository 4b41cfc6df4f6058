"""Which sheets of a workbook a suggested map takes: one that has all, or one of the patients and one of the visits."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from analysis.cohort.columns import Column, convert
from analysis.cohort.files.conversion import RawTable
from analysis.cohort.files.file_formats import sheet_names
from analysis.cohort.files.readers import USUAL_MISSING, guess_header_rows, read_table
from analysis.cohort.recognition.recognise_columns import Recognised, recognise
from analysis.cohort.suggesting.map_text import SuggestedMap, quoted
from analysis.errors import CohortError

#: Sheets that are looked at; a workbook of a clinic has fewer (design choice).
_MOST_SHEETS = 20
#: What a sheet of visits may say of patients; where another sheet has the patients, it is taken from there.
_OF_PATIENTS = ("protocol", "covariate", "start")


@dataclass(frozen=True)
class Sheet:
    """A sheet that is a table, and what its columns may be."""

    name: str
    raw: RawTable
    found: tuple[Recognised, ...]
    header_rows: int = 1

    @property
    def in_map(self) -> str:
        """The sheet as a map names it."""
        rows = f", header_rows = {self.header_rows}" if self.header_rows > 1 else ""
        return f"{{ sheet = {quoted(self.name)}{rows} }}"

    @property
    def patient(self) -> str | None:
        """The column with the patient, if there is one."""
        return min((one.name for one in self.found if one.role == "patient"), key=place_of_name, default=None)

    def has(self, role: str) -> bool:
        """Say whether a column is recognised as that."""
        return any(one.role == role for one in self.found)

    @property
    def n_measures(self) -> int:
        """Number of columns with an outcome measure."""
        return sum(one.role == "measure" for one in self.found)


@dataclass(frozen=True)
class Sheets:
    """The sheet of the visits and, where the protocol stands in another one, that of the patients; what is in doubt."""

    visits: Sheet | None
    people: Sheet | None
    doubt: str

    def joined(self, read: pd.DataFrame) -> pd.DataFrame:
        """Give the rows of the visits with the columns of their patient, under the name that the sheet of patients has.

        Where no sheet of patients is taken, these are the rows as they were ``read``.
        """
        if self.visits is None or self.people is None or self.people.patient is None:
            return read
        frame, people, patient = self.visits.raw.frame, self.people.raw.frame, self.people.patient
        theirs = {one.name for one in self.visits.found if one.role in _OF_PATIENTS} | set(people.columns)
        rest = frame.drop(columns=[name for name in frame if name in theirs or name == self.visits.patient])
        ids = _texts(frame[self.visits.patient])
        by_patient = people.drop(columns=patient).set_axis(_texts(people[patient]), axis=0)
        taken = by_patient[by_patient.index.notna()].reindex(ids).set_axis(frame.index, axis=0)
        return pd.concat([ids.rename(patient), taken, rest], axis=1)

    def say(self, suggestion: SuggestedMap) -> None:
        """Name both sheets in the map, and what of the sheet of the visits is not used."""
        if self.visits is None or self.people is None:
            return
        suggestion.form = replace(suggestion.form, sheet=None)
        visits = self.visits.in_map
        suggestion.files += [f"patients = {self.people.in_map}", f"visits = {visits}"]
        here = f"patient_id = {quoted(self.visits.patient or '')}"
        if self.visits.patient != self.people.patient:
            suggestion.visits.append(here)
        for i, section in enumerate(suggestion.home):
            head, _, lines = section.partition("\n")
            suggestion.files.append(f"{head[1:].partition(']')[0]} = {visits}")
            suggestion.home[i] = "\n".join([head, *([here] if suggestion.visits else []), lines])
        there = set(self.people.raw.frame.columns)
        for one in self.visits.found:
            if one.name in there and one.name != self.visits.patient:
                suggestion.left_out.append(
                    f"{one.name} of the sheet {self.visits.name}: the sheet of the patients has it"
                )
            elif one.role in _OF_PATIENTS:
                suggestion.left_out.append(f"{one.name} of the sheet {self.visits.name}: it is about patients")


def choose_sheets(path: Path) -> Sheets:
    """Look at the sheets of a workbook for those of visits and patients; a workbook of one sheet leaves no doubt."""
    try:
        names = sheet_names(path) if path.is_file() else []
    except CohortError:  # who reads it says why
        names = []
    if len(names) < 2:
        return Sheets(None, None, "")
    tables = [table for table in (_table(path, name) for name in names[:_MOST_SHEETS]) if table is not None]
    visits = max(tables, key=_fitness, default=None)
    if visits is None or not visits.n_measures or visits.patient is None:
        first = next((one for one in tables if one.patient is not None), tables[0] if tables else None)
        return Sheets(first, None, f"the sheet: the workbook has {', '.join(names)}")
    others = [one for one in tables if one is not visits and one.has("protocol") and _one_row_a_patient(one)]
    if visits.has("protocol") or not others:
        return Sheets(visits, None, f"the sheet: the workbook has {', '.join(names)}")
    people = others[0]
    rest = [name for name in names if name not in (people.name, visits.name)]
    unused = f"; not used: {', '.join(rest)}" if rest else ""
    return Sheets(
        visits, people, f"the sheets: patients are taken from {people.name}, visits from {visits.name}{unused}"
    )


def place_of_name(name: str) -> int:
    """Order names of identifiers: patient and subject first, numbers of rows last."""
    words = name.lower()
    return 0 if "patient" in words or "subject" in words else 2 if "row" in words else 1


def _fitness(one: Sheet) -> tuple[bool, bool, bool, int]:
    return one.n_measures > 0, one.patient is not None, one.has("protocol"), one.n_measures


def _table(path: Path, name: str) -> Sheet | None:
    try:
        header_rows = guess_header_rows(path, sheet=name)
        raw = read_table(path, sheet=name, missing=USUAL_MISSING, header_rows=header_rows)
    except CohortError:  # it is no table, and no sheet to suggest
        return None
    found = (recognise(raw.frame[column], str(column)) for column in raw.frame.columns)
    return Sheet(name, raw, tuple(replace(one, role="measure") if _wide(one) else one for one in found), header_rows)


def _wide(one: Recognised) -> bool:
    return one.role == "unknown" and one.header.unit is not None


def _one_row_a_patient(sheet: Sheet) -> bool:
    return sheet.patient is not None and not _texts(sheet.raw.frame[sheet.patient]).dropna().duplicated().any()


def _texts(ids: pd.Series) -> pd.Series:
    return convert(ids, Column("patient_id", "text", ""))[0]
