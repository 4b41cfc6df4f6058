"""The rows of one source file, on their way to the tables of a cohort: texts become numbers, labels, dates, weeks."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

import numpy as np
import pandas as pd

from analysis.cohort.columns import Column, Kind, as_identifiers, convert, read_times
from analysis.cohort.files.conversion import RawTable, add_unconverted
from analysis.cohort.findings import FindingList
from analysis.cohort.importing.map_keys import FileFormat, PatientColumn
from analysis.cohort.recognition.measured_cells import MeasuredCells, measured_cells
from analysis.cohort.recognition.site_names import one_name_a_site
from analysis.cohort.recognition.spellings import Folded, fold, fold_names
from analysis.cohort.recognition.trade_words import shown_cell
from analysis.cohort.tables import kind_of

#: A time of the day and its offset from UTC (ISO 8601): +01:00, +0100, +01, Z or none.
_CLOCK = r"[T ](?P<time>\d{2}(?::?\d{2}(?::?\d{2}(?:[.,]\d+)?)?)?)\s?(?P<zone>Z|[+-]\d{2}(?::?\d{2})?)?$"


class SourceRows:
    """Rows of one file or sheet that belong to a patient; one without a patient is a finding, and is left out.

    ``raw`` is the table as read and ``form`` how it was written; ``name`` of the file or sheet is for the findings.
    """

    def __init__(
        self, raw: RawTable, form: FileFormat, name: str, patient: PatientColumn, findings: FindingList
    ) -> None:
        self.form, self.name, self.findings = form, name, findings
        self.labelled = raw.labelled
        self._told: set[str] = set()
        self._numbers: dict[str, pd.Series] = {}
        self._cells_measured: dict[str, MeasuredCells] = {}
        self.frame = raw.frame
        ids = as_identifiers(self.texts(patient))
        nobody = ids.isna().to_numpy()
        findings.add(
            "error", name, "the row has no patient", "Fill the cell, or remove the row.",
            column=patient.column or "patient_id", rows=raw.frame.index.to_numpy()[nobody],
        )  # fmt: skip
        self.frame, self.ids = raw.frame[~nobody], ids[~nobody]

    @cached_property
    def patient_codes(self) -> np.ndarray:
        """A number for the patient of each row, from 0 in the order of their first rows."""
        return pd.factorize(self.ids)[0]

    @cached_property
    def first_rows(self) -> np.ndarray:
        """Whether each row is the first one of its patient."""
        return ~pd.Series(self.patient_codes).duplicated().to_numpy()

    def __contains__(self, column: str) -> bool:
        return column in self.frame

    def texts(self, column: PatientColumn) -> pd.Series:
        """Give a column as text, value labels in the place of codes, folded and recoded."""
        if column.column is None:
            return pd.Series(fold(str(column.constant)), index=self.frame.index, dtype="str")
        text = convert(self._cells(column.column), Column(column.name, "text", ""))[0]
        return self._told_of(recode(text, column.recode), column.column)

    def labels(self, column: str, recoded: Mapping[str, str]) -> pd.Series:
        """Give a column of labels of this file as text, folded and recoded."""
        return self._told_of(recode(self._cells(column).astype("str"), recoded), column)

    def values(self, column: PatientColumn, known: Column | None) -> pd.Series:
        """Give a column in the kind that its table wants; cells that do not fit are findings and become missing.

        Labels are in one spelling, as :func:`analysis.cohort.recognition.spellings.fold` writes them.
        Where it is no ``known`` column of the table, the map or its cells say the kind.
        """
        if column.column is None:
            constant = fold(column.constant) if isinstance(column.constant, str) else column.constant
            values = pd.Series([constant] * len(self.frame), index=self.frame.index)
        else:
            values = self._cells(column.column)
            if column.recode:
                text = convert(values, Column(column.name, "text", ""))[0]
                values = self._told_of(recode(text, column.recode), column.column)
        kind: Kind = known.kind if known is not None else column.kind or _guess(self._with_point(values))
        if kind == "number":
            if column.column is not None and column.column in self.labelled and not column.recode:
                values = self.frame[column.column]
            values = self._with_point(values)
        labels = tuple(map(fold, column.order)) or (known.categories if known is not None else ())
        converted, bad = convert(values, Column(column.name, kind, "", categories=labels))
        target = Column(column.column or column.name, kind, "")
        add_unconverted(values.iloc[bad], self.ids.iloc[bad], self.name, target, self.findings)
        if column.name == "site" and kind == "category":
            return self._one_name_a_site(converted, target.name)
        return self._told_of(fold_names(converted), target.name) if kind == "category" else converted

    def numbers(
        self, column: str, *, week: bool = False, but: pd.Series | None = None, limits: bool = False
    ) -> pd.Series:
        """Give a column as numbers, read once; ``week`` says that a week is expected, for the findings.

        Cells ``but`` which are read otherwise are missing. With ``limits`` a limit such as <20 is its number, and a reason why
        nothing was measured is missing; how many there were of each is a finding.
        """
        if column in self._numbers:
            return self._numbers[column]
        cells = self.frame[column] if but is None else self.frame[column].mask(but)
        if limits:
            cells = self._measured(column).cells
        numbers, bad = convert(self._with_point(cells), Column(column, "number", ""))
        hits = self.frame[column].iloc[bad]
        add_unconverted(hits, self.ids.iloc[bad], self.name, Column(column, "number", ""), self.findings, week=week)
        self._numbers[column] = numbers
        return numbers

    def bounds(self, column: str) -> pd.Series:
        """Say which values of a column are limits: below or above, otherwise missing."""
        return self._measured(column).bound

    def _measured(self, column: str) -> MeasuredCells:
        if column in self._cells_measured:
            return self._cells_measured[column]
        found = measured_cells(self.frame[column])
        self._cells_measured[column] = found
        n = int(found.bound.notna().sum())
        if n:
            signs = self.frame[column][found.bound.notna()].str.strip().value_counts(sort=False)
            said = ", ".join(f"{shown_cell(str(text))}: {count:,}" for text, count in signs.items())
            self.findings.add(
                "warning", self.name, f"{n:,} cell{'' if n == 1 else 's'} with a limit in the place of a value ({said})",
                "The limit is taken as the value, and the column bound of the visits says that it is one.", column=column,
            )  # fmt: skip
        reasons = found.reason.dropna().str.strip().value_counts(sort=False)
        if len(reasons):
            said = ", ".join(f"{shown_cell(str(text))}: {count:,}" for text, count in reasons.items())
            n = int(reasons.sum())
            self.findings.add(
                "warning", self.name, f"{n:,} cell{'' if n == 1 else 's'} with a reason in the place of a value ({said})",
                "There is no visit of that measure then. Where it is a value, write it as a number.", column=column,
            )  # fmt: skip
        return found

    def dates(self, column: str, date_format: str | None) -> pd.Series:
        """Give a column as dates; text must be as year-month-day or as ``date_format`` says."""
        cells = self.frame[column]
        if pd.api.types.is_datetime64_any_dtype(cells.dtype):
            return cells.dt.tz_localize(None) if cells.dt.tz is not None else cells
        text = convert(cells, Column(column, "text", ""))[0]
        self._tell_zones(text, column)
        dates = read_times(text, date_format)
        wrong = (dates.isna() & text.notna()).to_numpy()
        if wrong.any():
            how = date_format or "year-month-day"
            self.findings.add(
                "error", self.name, f"no date as {how}",
                'Correct the cell, or say under [week] how dates are written, for example date_format = "%d.%m.%Y".',
                column=column, rows=self.frame.index.to_numpy()[wrong], patients=self.ids[wrong],
                values=text[wrong],
            )  # fmt: skip
        return dates

    def _tell_zones(self, text: pd.Series, column: str) -> None:
        """Tell where the times of a column are by several clocks: the day is then the one of the place of each cell."""
        clock = text.str.extract(_CLOCK)
        counts = clock["zone"].fillna("none")[clock["time"].notna()].value_counts(sort=False)
        if len(counts) > 1:
            said = ", ".join(f"{zone}: {n:,} {'cell' if n == 1 else 'cells'}" for zone, n in counts.items())
            self.findings.add(
                "warning", self.name, f"the times are in several time zones (offset from UTC {said})",
                "Each is read by the clock written in its cell. Where a day may differ by that, write all in the zone of the "
                "clinic.", column=column,
            )  # fmt: skip

    def _one_name_a_site(self, values: pd.Series, column: str) -> pd.Series:
        """Give the sites in one spelling each, and name the spellings once."""
        found = one_name_a_site(values)
        if found.joined:
            self.findings.add(
                "warning", self.name, found.joined,
                "Where these are several sites, recode them in the map to names that differ by more than capitals and blanks.",
                column=column,
            )  # fmt: skip
        return found.names

    def _told_of(self, found: Folded, column: str) -> pd.Series:
        """Give the names, and say once how many cells of the column were written otherwise."""
        if found.n_cells and column not in self._told:
            self._told.add(column)
            n, joined = found.n_cells, found.n_joined
            self.findings.add(
                "warning", self.name,
                f"{n:,} of {len(found.names):,} cells {'was' if n == 1 else 'were'} folded: blanks and forms of "
                f"characters (Unicode NFKC) make no new name; {joined or 'no'} name{'s' if joined > 1 else ''} stood there "
                "in several spellings",
                "Look whether these are the same protocol, site or patient; where they are not, recode them in the map.",
                column=column,
            )  # fmt: skip
        return found.names

    def _cells(self, column: str) -> pd.Series:
        labelled = self.labelled.get(column)
        return self.frame[column] if labelled is None else labelled.loc[self.frame.index]

    def _with_point(self, cells: pd.Series) -> pd.Series:
        if self.form.decimal == "." or pd.api.types.is_numeric_dtype(cells.dtype) or cells.dtype == "category":
            return cells
        text = cells.astype("str")
        return text.mask(text.str.contains(".", regex=False), "a point").str.replace(",", ".", regex=False)


def recode(text: pd.Series, labels: Mapping[str, str]) -> Folded:
    """Fold names, and put new labels in the place of old ones; labels that are not named stay.

    A label counts as it is written before it counts folded, so that a map can keep two spellings apart.

    Examples
    --------
    >>> recode(pd.Series(["L", "R", "L ", None]), {"L": "left"}).names.tolist()
    ['left', 'R', 'left', nan]
    """
    if not labels:
        return fold_names(text)
    table = {label: fold(new) for label, new in labels.items()}
    as_written = text.isin(list(table))
    found = fold_names(text.where(~as_written))
    table_folded = {fold(label): new for label, new in reversed(table.items())} | table
    names = found.names.map(lambda label: table_folded.get(label, label), na_action="ignore")
    return Folded(
        names.where(~as_written, text.map(table)).astype("str"),
        found.n_cells,
        found.n_joined,
    )


def _guess(values: pd.Series) -> Kind:
    """Take text for numbers where all of it is, otherwise for labels."""
    kind = kind_of(values)
    if kind != "text":
        return kind
    _, bad = convert(values, Column("", "number", ""))
    return "number" if not len(bad) and values.notna().any() else "category"
