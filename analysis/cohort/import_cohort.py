"""Import: a file of any shape, by a map file, becomes a cohort; nothing is used where the check finds errors."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.cohort.checks import check_tables, raise_on_errors
from analysis.cohort.columns import Column, convert
from analysis.cohort.conversion import add_unconverted
from analysis.cohort.data_package import add_ragged
from analysis.cohort.findings import FindingList
from analysis.cohort.map_file import WEEKS_IN, ImportMap, PatientColumn, ValueColumns, read_map
from analysis.cohort.measures import load_catalogue
from analysis.cohort.provenance import Provenance, describe_source
from analysis.cohort.readers import read_table
from analysis.cohort.tables import TABLES, Cohort, kind_of
from analysis.errors import CohortError

if TYPE_CHECKING:
    import os
    from collections.abc import Mapping

    from analysis.cohort.columns import Kind

_NAMES_LISTED = 40


def import_cohort(file: str | os.PathLike[str], map_file: str | os.PathLike[str]) -> Cohort:
    """Make a cohort of a CSV or Parquet file.

    Parameters
    ----------
    file : path
        The file: long (one row a visit, or one row a value) or wide (one row a patient, weeks in the column names).
    map_file : path
        TOML file that says which column is what; see :func:`analysis.cohort.map_file.read_map`.

    Returns
    -------
    Cohort
        Patients in the order of their first row; visits by patient, week and the order of the map; empty cells are no
        visits. The provenance has both files with their SHA-256.

    Raises
    ------
    CohortError
        The file or the map cannot be read, the map names columns that the file lacks, or the cohort has errors (then
        the attribute ``report`` of the error has every finding; rows are those of the file, the first below the header
        is 1).
    DeidentificationError
        The cohort would hold what could identify patients.
    """
    path, map_path = Path(file), Path(map_file)
    mapped = read_map(map_path)
    form = mapped.file
    raw = read_table(path, delimiter=form.delimiter, encoding=form.encoding, missing=form.missing)
    frame = raw.frame
    _check_columns(frame, mapped, path)
    findings = FindingList()
    add_ragged(raw, path.name, findings)

    source = _Source(frame, mapped, findings, path.name)
    patients, visits = source.patients(), source.visits()
    measures = load_catalogue().with_measures(*mapped.measures)
    report = check_tables({"patients": patients, "visits": visits}, measures, mapped.privacy, findings)
    raise_on_errors(report, path.name, "Nothing was written. Correct the file or the map, and import it again.")
    steps = (
        f"Imported {len(frame):,} rows of {path.name} ({mapped.layout}) with {map_path.name}.",
        f"{source.n_empty:,} empty cells of measures are no visits.",
    )
    return Cohort(
        patients.reset_index(drop=True),
        visits.reset_index(drop=True),
        measures=measures,
        provenance=Provenance(sources=(describe_source(path), describe_source(map_path)), steps=steps),
        privacy=mapped.privacy,
    )


def _check_columns(frame: pd.DataFrame, mapped: ImportMap, path: Path) -> None:
    names = [str(name) for name in frame.columns]
    lacking = [name for name in mapped.columns_named(names) if name not in names]
    there = ", ".join(names[:_NAMES_LISTED]) + (
        f" and {len(names) - _NAMES_LISTED} more" if len(names) > _NAMES_LISTED else ""
    )
    if lacking:
        raise CohortError(
            f"The map names columns that the file lacks: {', '.join(lacking)}.",
            where=f"{path.name} has the columns: {there}",
            what_to_do=f"Correct the names in {mapped.name}; capitals and spaces count.",
        )
    for entry in mapped.value_columns:
        if mapped.layout == "wide" and not entry.times_in(names):
            raise CohortError(
                f"No column fits the pattern {entry.pattern!r} of the measure {entry.measure!r}.",
                where=f"{path.name} has the columns: {there}",
                what_to_do=f"Correct the pattern in {mapped.name}; {{week}} stands for a number.",
            )


class _Source:
    """The rows of the file, on their way to the tables of a cohort."""

    def __init__(self, frame: pd.DataFrame, mapped: ImportMap, findings: FindingList, name: str) -> None:
        self.mapped, self.findings, self.name = mapped, findings, name
        self.n_empty = 0
        id_column = next(column for column in mapped.patients if column.name == "patient_id")
        ids = self._labels(frame, id_column)
        nobody = ids.isna().to_numpy()
        findings.add(
            "error", name, "the row has no patient", "Fill the cell, or remove the row.",
            column=id_column.column or "patient_id", rows=frame.index.to_numpy()[nobody] + 1,
        )  # fmt: skip
        self.frame, self.ids = frame[~nobody], ids[~nobody]
        self.patient_codes, _ = pd.factorize(self.ids)

    def patients(self) -> pd.DataFrame:
        """Give one row a patient; the index holds the first row of the patient in the file."""
        columns = {}
        for column in self.mapped.patients:
            if column.name == "patient_id":
                columns["patient_id"] = self.ids
                continue
            values = self._patient_values(column)
            self._find_changes(column, values)
            columns[column.name] = values
        frame = pd.DataFrame(columns, index=self.frame.index)
        if self.mapped.layout == "wide":
            return frame
        first_rows = self.ids.drop_duplicates().index
        firsts = frame.groupby(self.patient_codes, sort=True).first()
        firsts = firsts.astype({name: frame[name].dtype for name in frame.columns})
        return firsts.set_axis(first_rows, axis=0)

    def visits(self) -> pd.DataFrame:
        """Give one row a value that is not empty; the index holds the row in the file."""
        parts = []
        for place, entry in enumerate(self.mapped.value_columns):
            parts += [part.assign(_entry=place) for part in self._entry(entry)]
        whole = pd.concat(parts) if parts else pd.DataFrame()
        empty = whole["value"].isna()
        self.n_empty = int(empty.sum())
        kept = whole if empty.all() else whole[~empty]
        kept = kept.sort_values(["_patient", "week", "_entry"], kind="stable")
        return pd.DataFrame(
            {
                "patient_id": kept["patient_id"].astype("str"),
                "week": kept["week"],
                "measure": convert(kept["measure"], _column("measure"))[0],
                "limb": convert(kept["limb"], _column("limb"))[0],
                "value": kept["value"],
            }
        )

    def _entry(self, entry: ValueColumns) -> list[pd.DataFrame]:
        if self.mapped.layout == "wide":
            names = [str(name) for name in self.frame.columns]
            return [
                self._part(entry, column, self._weeks(pd.Series(time, index=self.frame.index)))
                for column, time in entry.times_in(names).items()
            ]
        time = self._numbers(self.mapped.week.column or "", "week")
        return [self._part(entry, entry.column or "", self._weeks(time))]

    def _part(self, entry: ValueColumns, column: str, weeks: pd.Series) -> pd.DataFrame:
        part = pd.DataFrame(
            {"patient_id": self.ids, "_patient": self.patient_codes, "week": weeks}, index=self.frame.index
        )
        part["measure"] = self._recoded(entry.measure_column, entry.measures, entry.measure)
        part["limb"] = self._recoded(entry.limb_column, entry.limbs, entry.limb)
        part["value"] = self._numbers(column, "value") * entry.multiply
        return part

    def _recoded(self, column: str | None, labels: Mapping[str, str], constant: str | None) -> pd.Series | str | None:
        if column is None:
            return constant
        return _recode(self.frame[column].astype("str"), dict(labels))

    def _weeks(self, time: pd.Series) -> pd.Series:
        week = self.mapped.week
        weeks = (time - week.origin) * WEEKS_IN[week.unit]
        return weeks if week.round_to is None else (weeks / week.round_to).round() * week.round_to

    def _numbers(self, column: str, kind: str) -> pd.Series:
        cells = self._with_point(self.frame[column])
        numbers, bad = convert(cells, Column(kind, "number", ""))
        hits = self.frame[column].iloc[bad]
        add_unconverted(
            hits, self.ids.iloc[bad], self.name, Column(column, "number", ""), self.findings, week=kind == "week"
        )
        return numbers

    def _with_point(self, cells: pd.Series) -> pd.Series:
        if self.mapped.file.decimal == "." or pd.api.types.is_numeric_dtype(cells.dtype):
            return cells
        text = cells.astype("str")
        return text.mask(text.str.contains(".", regex=False), "a point").str.replace(",", ".", regex=False)

    def _labels(self, frame: pd.DataFrame, column: PatientColumn) -> pd.Series:
        if column.column is None:
            return pd.Series(str(column.constant), index=frame.index, dtype="str")
        return _recode(convert(frame[column.column], Column(column.name, "text", ""))[0], dict(column.recode))

    def _patient_values(self, column: PatientColumn) -> pd.Series:
        known = TABLES["patients"].column(column.name)
        if column.column is None:
            values = pd.Series([column.constant] * len(self.frame), index=self.frame.index)
        else:
            values = self.frame[column.column]
            if column.recode:
                values = _recode(convert(values, Column(column.name, "text", ""))[0], dict(column.recode))
        kind = known.kind if known is not None else column.kind or _guess(values)
        if kind == "number":
            values = self._with_point(values)
        labels = column.order or (known.categories if known is not None else ())
        converted, bad = convert(values, Column(column.name, kind, "", categories=labels))
        target = Column(column.column or column.name, kind, "")
        add_unconverted(values.iloc[bad], self.ids.iloc[bad], self.name, target, self.findings)
        return converted

    def _find_changes(self, column: PatientColumn, values: pd.Series) -> None:
        """Find values that differ from the first one of their patient."""
        if self.mapped.layout == "wide" or column.column is None:
            return
        codes, _ = pd.factorize(values)
        present = codes >= 0
        first = pd.Series(np.where(present, codes, np.nan)).groupby(self.patient_codes).transform("first").to_numpy()
        changed = present & (codes != first)
        protocol = column.name == "protocol"
        self.findings.add(
            "error" if protocol else "warning",
            self.name,
            "the protocol changes within the patient" if protocol else "differs from the first value of the patient",
            "Give each patient the protocol assigned at the start." if protocol else "The first value is taken.",
            column=column.column,
            rows=self.frame.index.to_numpy()[changed] + 1,
            patients=self.ids[changed],
            values=values[changed],
        )


def _recode(text: pd.Series, labels: dict[str, str]) -> pd.Series:
    return text.map(lambda label: labels.get(label, label), na_action="ignore").astype("str") if labels else text


def _guess(values: pd.Series) -> Kind:
    """Take text for numbers where all of it is, otherwise for labels."""
    kind = kind_of(values)
    if kind != "text":
        return kind
    _, bad = convert(values, Column("", "number", ""))
    return "number" if not len(bad) and values.notna().any() else "category"


def _column(name: str) -> Column:
    column = TABLES["visits"].column(name)
    if column is None:
        raise CohortError(f"The table visits has no column {name!r}.")
    return column
