"""Checks that hold for every table: columns, keys, ranges, labels, texts, and patients that belong together."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence

import numpy as np
import pandas as pd

from analysis.cohort.columns import Column
from analysis.cohort.findings import FindingList, Severity, in_file, looks_like_formula
from analysis.cohort.no_labels import no_labels
from analysis.cohort.recognition.trade_words import shown_cell
from analysis.cohort.tables import TABLES, Privacy, Table
from analysis.cohort.text_columns import distinct_texts, is_among, places_among

_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
#: In texts joined by line ends: control characters, and what may begin a formula. Where it finds nothing, nothing is wrong.
_SUSPICIOUS = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]|^[^\w\n]*[=+\-@＝＋－＠]", re.MULTILINE)
#: Weeks that look like calendar years, and days counted by a spreadsheet (1 Jan 1955 to 2064).
_YEARS, _SPREADSHEET_DAYS = (1900.0, 2100.0), (20_000.0, 60_000.0)
_LARGEST = 2**62
_ONE_PART = "Write the cohort again from its source, so that all rows of a patient are in one part."


def check_columns(
    columns: Mapping[str, Sequence[str]],
    empty: Collection[str],
    findings: FindingList,
    *,
    unreadable: frozenset[str] = frozenset(),
) -> None:
    """Find tables and columns that are missing, unknown or empty; of an ``unreadable`` table it is known already.

    ``columns`` are the names of the columns of each table, ``empty`` the tables without a row.
    """
    for name, table in TABLES.items():
        if name not in columns:
            if table.required and name not in unreadable:
                findings.add("error", name, "the table is missing", f"Give the table: one row is {table.row}.")
            continue
        for column in table.required_columns:
            if column not in columns[name]:
                there = ", ".join(columns[name]) or "none"
                problem, advice = f"the column is missing; columns there: {there}", "Add it, or map it with a map file."
                findings.add("error", name, problem, advice, column=column)
        if table.required and name in empty:
            findings.add("error", name, "the table has no row", f"One row is {table.row}; give at least one.")
        for column in columns[name]:
            if _CONTROL.search(column):
                problem, advice = "the name of the column holds control characters", "Give it another name."
                findings.add("error", name, problem, advice, column=column)
            if name != "patients" and table.column(column) is None:
                problem, advice = "the column is not a known one and is not used", "Remove it, or correct its name."
                findings.add("warning", name, problem, advice, column=column)


def check_keys(
    tables: Mapping[str, pd.DataFrame], findings: FindingList, source_rows: Mapping[str, np.ndarray]
) -> None:
    """Find missing keys and labels, and rows that share a key; ``source_rows`` names the rows of each table."""
    for name, frame in tables.items():
        table = TABLES[name]  # type: ignore[index]
        for column in table.required_columns:
            if column == "value" or column not in frame:
                continue
            empty = frame[column].isna()
            if empty.any():
                findings.add_rows(
                    "error", name, frame, empty, column, "the cell is empty", "Fill it, or remove the row."
                )
        if table.key and set(table.key) <= set(frame.columns):
            _check_duplicates(frame, table, findings, source_rows[name])


def check_cells(tables: Mapping[str, pd.DataFrame], findings: FindingList, privacy: Privacy) -> None:
    """Find numbers out of range or infinite, labels that do not exist, and texts a spreadsheet would run."""
    for name, frame in tables.items():
        table = TABLES[name]  # type: ignore[index]
        for column in frame.columns:
            values = frame[column]
            known = table.column(str(column))
            if pd.api.types.is_float_dtype(values.dtype):
                infinite = np.isinf(values.to_numpy(dtype="float64", na_value=np.nan))
                if infinite.any():
                    advice, wrong = "Correct it, or leave the cell empty.", pd.Series(infinite, index=values.index)
                    findings.add_rows("error", name, frame, wrong, str(column), "the number is infinite", advice)
                if known is not None and known.name != "week":
                    _check_range(name, frame, known, findings, privacy)
            elif known is not None and known.categories:
                _check_labels(name, frame, known, findings)
            if column == "patient_id" and name != "patients":
                continue  # checked among the patients; one who is not there is an error
            if isinstance(values.dtype, pd.CategoricalDtype) or pd.api.types.is_string_dtype(values.dtype):
                _check_text(name, frame, str(column), findings)


class WeeksCheck:
    """Check of the weeks of every table, given in one or several parts."""

    def __init__(self) -> None:
        self._before: dict[str, int] = {}
        self._others: dict[str, bool] = {}
        self._outside: dict[str, FindingList] = {}

    def add(self, tables: Mapping[str, pd.DataFrame], source_rows: Mapping[str, np.ndarray]) -> None:
        """Look at a part: years, days of a spreadsheet, weeks out of range, and those before the start."""
        for name, frame in tables.items():
            column = TABLES[name].column("week")  # type: ignore[index]
            if column is None or "week" not in frame or not pd.api.types.is_float_dtype(frame["week"].dtype):
                continue
            week = frame["week"].to_numpy(dtype="float64", na_value=np.nan)
            known = week[np.isfinite(week)]
            if not len(known):
                continue
            years = known.min() >= _YEARS[0] and known.max() <= _YEARS[1] and bool((known == known.round()).all())
            self._others[name] = self._others.get(name, False) or not years
            far = np.isfinite(week) & ((week < column.lowest) | (week > column.highest))
            before = int(((week < 0) & ~far).sum())
            self._before[name] = self._before.get(name, 0) + before
            if not far.any():
                continue
            spreadsheet = (week >= _SPREADSHEET_DAYS[0]) & (week <= _SPREADSHEET_DAYS[1])
            dates = far & (spreadsheet | ((week >= 19_000_101) & (week <= 21_001_231)))
            found = FindingList()
            problem = "the week looks like a date written as a number, (C) dates"
            chosen, advice = pd.Series(dates, index=frame.index), "Give weeks since surgery or start."
            found.add_rows("error", name, frame, chosen, "week", problem, advice, identifier=True)
            problem = f"outside {column.lowest:g} to {column.highest:g} {column.unit}".rstrip()
            chosen = pd.Series(far & ~dates, index=frame.index)
            found.add_rows("error", name, frame, chosen, "week", problem, "Correct the value, or leave the cell empty.")
            self._outside.setdefault(name, FindingList()).extend(found, source_rows)

    def finish(self, findings: FindingList) -> None:
        """Add what was found; where all weeks of a table are calendar years, that in place of each."""
        for name, others in self._others.items():
            if not others:
                problem, advice = "the weeks look like calendar years, (C) dates", "Give weeks since surgery or start."
                findings.add("error", name, problem, advice, column="week", identifier=True)
                continue
            if name in self._outside:
                findings.extend(self._outside[name], {})
            if self._before[name]:
                problem = f"{self._before[name]:,} rows are before week 0 and count as baseline"
                advice = "Check that these visits were before surgery or start."
                findings.add("warning", name, problem, advice, column="week")


class PatientsCheck:
    """Check that the tables belong to the same patients; they come in one or several parts, each with all rows of its patients."""

    def __init__(self) -> None:
        self._strangers: dict[str, list[pd.Series]] = {}
        self._seen: list[np.ndarray] = []
        self._visits = False

    def add(
        self,
        tables: Mapping[str, pd.DataFrame],
        source_rows: Mapping[str, np.ndarray],
        part: Mapping[str, np.ndarray] | None = None,
    ) -> None:
        """Look at a part, or at several: ``part`` then says of each row which one it is of."""
        patients = tables.get("patients", pd.DataFrame())
        ids = patients["patient_id"] if "patient_id" in patients else pd.Series(dtype="str")
        if part is not None and ids.duplicated().any():  # perhaps one of each part
            for number in np.unique(part["patients"]):
                rows = {name: np.flatnonzero(part[name] == number) for name in tables}
                some = {name: frame.iloc[rows[name]].reset_index(drop=True) for name, frame in tables.items()}
                self.add(some, {name: source_rows[name][rows[name]] for name in tables})
            return
        seen = np.zeros(len(ids), dtype=bool)
        for name, frame in tables.items():
            if name == "patients" or "patient_id" not in frame:
                continue
            held = frame["patient_id"].cat
            codes = held.codes.to_numpy()
            place = np.append(places_among(pd.Series(held.categories), ids), -1)[codes]
            known = place >= 0
            if part is not None and len(ids):
                known &= part["patients"][place] == part[name]
            if name == "visits":
                self._visits = True
                seen[place[known]] = True
            first = frame["patient_id"].iloc[np.flatnonzero(~known & (codes >= 0))].astype("str").drop_duplicates()
            first.index = pd.Index(source_rows[name][first.index.to_numpy()])
            self._strangers.setdefault(name, []).append(first)
        twice = seen[places_among(ids, ids)] & ids.notna().to_numpy() if ids.duplicated().any() else seen
        self._seen.append(twice)

    def strangers(self) -> dict[str, pd.Series]:
        """Give, by table, the patients without a row in the patients of their part; the index is the first row of each."""
        return {name: pd.concat(found).drop_duplicates() for name, found in self._strangers.items()}

    def finish(self, patients: pd.DataFrame | None, parts: Sequence[np.ndarray], findings: FindingList) -> None:
        """Add what was found; ``patients`` are all of them, in source rows, ``parts`` say in which part each stands."""
        if patients is None or "patient_id" not in patients:
            return
        held, part = patients["patient_id"], np.concatenate(parts)
        ids = pd.Series(held.dropna().unique(), dtype="str")
        several = "the patient stands in several parts of the folder"
        again = held.duplicated().to_numpy() & held.notna().to_numpy()
        if again.any():
            of_first = pd.Series(part).groupby(pd.factorize(held)[0]).transform("first").to_numpy()
            apart = pd.Series(again & (part != of_first), index=held.index)
            findings.add_rows("error", "patients", patients, apart, "patient_id", several, _ONE_PART)
        seen = np.concatenate(self._seen)
        for name, first in self.strangers().items():
            elsewhere = is_among(first, ids)
            for rows, problem, advice in (
                (first[elsewhere], several, _ONE_PART),
                (first[~elsewhere], "the patient is not in the table patients",
                 "Add the patient with a protocol, or remove the rows."),
            ):  # fmt: skip
                findings.add(
                    "error", name, problem, advice, column="patient_id", rows=rows.index, patients=rows, values=rows
                )
            if name == "visits":
                seen |= is_among(held, first)
        if self._visits:
            unseen = pd.Series(held.notna().to_numpy() & ~seen, index=held.index)
            advice = "Keep the patient, who counts in the flow, unless the visits were left out by mistake."
            findings.add_rows("warning", "patients", patients, unseen, "patient_id", "the patient has no visit", advice)
        if len(ids) == 1:
            findings.add("warning", "patients", "there is one patient only", "Models need several patients.")
        if "protocol" in patients:
            protocol = patients["protocol"]
            given = protocol[~protocol.isin(no_labels(protocol.dropna().unique()))].dropna().unique()
            if len(given) == 1:
                problem = f"there is one protocol only, {shown_cell(str(given[0]))!r}"
                advice = "Nothing can be compared; curves can still be fitted."
                findings.add("warning", "patients", problem, advice, column="protocol")


def _check_duplicates(frame: pd.DataFrame, table: Table, findings: FindingList, source_rows: np.ndarray) -> None:
    key = list(table.key)
    again = pd.Series(_repeated(frame, key), index=frame.index)
    if again.any():
        again &= frame[key].notna().all(axis=1)
    if not again.any():
        return
    shared = frame[key].assign(row=source_rows)[frame.duplicated(key, keep=False)]
    first_row = shared.groupby(key, observed=True, sort=False, dropna=False)["row"].transform("first")[again]
    column = "value" if "value" in frame else table.key[-1]
    problems = [f"the same {', '.join(table.key)} as {in_file(row)}" for row in first_row]
    findings.add_rows("error", table.name, frame, again, column, problems, "Keep one of these rows.")
    if table.name == "patients" and "protocol" in frame:
        several = frame.groupby("patient_id", observed=True)["protocol"].transform("nunique") > 1
        problem, advice = (
            "the protocol changes within the patient",
            "Give each patient the protocol assigned at the start.",
        )
        findings.add_rows("error", "patients", frame, several & again, "protocol", problem, advice)


def _repeated(frame: pd.DataFrame, key: list[str]) -> np.ndarray:
    """Say which rows have the key of an earlier one: what ``duplicated`` says, from one whole number for each row."""
    whole = np.zeros(len(frame), dtype=np.int64)
    size = 1
    for name in key:
        values = frame[name]
        if isinstance(values.dtype, pd.CategoricalDtype):
            codes, n = values.cat.codes.to_numpy(), len(values.cat.categories)
        else:
            codes, found = pd.factorize(
                values, sort=pd.api.types.is_float_dtype(values.dtype)
            )  # rows often stand in order
            n = len(found)
        size *= n + 1
        if size >= _LARGEST:
            return frame.duplicated(key).to_numpy()
        whole = whole * (n + 1) + (codes + 1)
    if len(whole) < 2 or bool((whole[1:] > whole[:-1]).all()):
        return np.zeros(len(frame), dtype=bool)
    return pd.Series(whole).duplicated().to_numpy()


def _check_range(table: str, frame: pd.DataFrame, column: Column, findings: FindingList, privacy: Privacy) -> None:
    values = frame[column.name]
    numbers = values.to_numpy(dtype="float64", na_value=np.nan)
    far = ((numbers < column.lowest) | (numbers > column.highest)) & np.isfinite(numbers)
    if not far.any():
        return
    outside = pd.Series(far, index=values.index)
    if column.name == "age_years":
        old = values.between(column.highest, 130, inclusive="right")
        if privacy == "safe-harbor":
            problem, advice = "an age over 89 must be pooled, (C)", "Write 90 for every age of 90 and over."
            findings.add_rows("error", table, frame, old, "age_years", problem, advice, identifier=True)
        outside &= ~old
    if outside.any():
        inches = column.name == "height_cm" and bool(values[outside].between(48, 84).all())
        advice = "Multiply by 2.54." if inches else "Correct the value, or leave the cell empty."
        hint = "; it looks like inches" if inches else ""
        problem = f"outside {column.lowest:g} to {column.highest:g} {column.unit}{hint}".rstrip()
        findings.add_rows("error", table, frame, outside, column.name, problem, advice)


def _check_labels(table: str, frame: pd.DataFrame, column: Column, findings: FindingList) -> None:
    values = frame[column.name]
    wrong = values.notna() & ~values.isin(column.categories)
    severity: Severity = "error" if table in ("visits", "flow") or column.name == "involved_side" else "warning"
    advice = f"Use one of: {', '.join(column.categories)}; a map file can recode labels."
    findings.add_rows(severity, table, frame, wrong, column.name, "the label is not a known one", advice)


def _check_text(table: str, frame: pd.DataFrame, column: str, findings: FindingList) -> None:
    values = frame[column]
    distinct = distinct_texts(values)
    if not _SUSPICIOUS.search("\n".join(distinct)):
        return
    zero = distinct.str.contains("\x00", regex=False).astype(bool)
    control = distinct.str.contains(r"[\x01-\x08\x0b\x0c\x0e-\x1f\x7f]", regex=True).astype(bool)
    formula = "It is kept as text; take care when you open the file in a spreadsheet."
    kinds: list[tuple[Severity, pd.Series, str, str]] = [
        ("warning", looks_like_formula(distinct), "the text would run as a formula in a spreadsheet", formula),
        ("warning", control, "the text holds control characters", "Remove them."),
        ("error", zero, "the text holds a zero character, which no text file can", "Remove it."),
    ]
    for severity, suspicious, problem, advice in kinds:
        if suspicious.any():
            rows = values.isin(distinct[suspicious])
            findings.add_rows(severity, table, frame, rows, column, problem, advice)
