"""Checks that hold for every table: columns, keys, ranges, labels, texts, and patients that belong together."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import pandas as pd

from analysis.cohort.columns import Column, is_among
from analysis.cohort.findings import FindingList, Severity, in_file, looks_like_formula
from analysis.cohort.no_labels import no_labels
from analysis.cohort.recognition.trade_words import shown_cell
from analysis.cohort.tables import TABLES, Privacy, Table

_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
#: In texts joined by line ends: control characters, and what may begin a formula. Where it finds nothing, nothing is wrong.
_SUSPICIOUS = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]|^[^\w\n]*[=+\-@＝＋－＠]", re.MULTILINE)
#: Weeks that look like calendar years, and days counted by a spreadsheet (1 Jan 1955 to 2064).
_YEARS, _SPREADSHEET_DAYS = (1900.0, 2100.0), (20_000.0, 60_000.0)


def check_columns(
    tables: Mapping[str, pd.DataFrame], findings: FindingList, *, unreadable: frozenset[str] = frozenset()
) -> None:
    """Find tables and columns that are missing, unknown or empty; of an ``unreadable`` table it is known already."""
    for name, table in TABLES.items():
        if name not in tables:
            if table.required and name not in unreadable:
                findings.add("error", name, "the table is missing", f"Give the table: one row is {table.row}.")
            continue
        frame = tables[name]
        missing = [column for column in table.required_columns if column not in frame]
        for column in missing:
            there = ", ".join(str(other) for other in frame.columns) or "none"
            problem, advice = f"the column is missing; columns there: {there}", "Add it, or map it with a map file."
            findings.add("error", name, problem, advice, column=column)
        if table.required and frame.empty:
            findings.add("error", name, "the table has no row", f"One row is {table.row}; give at least one.")
        for column in frame.columns:
            if name != "patients" and table.column(str(column)) is None:
                problem, advice = "the column is not a known one and is not used", "Remove it, or correct its name."
                findings.add("warning", name, problem, advice, column=str(column))


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
            if _CONTROL.search(str(column)):
                problem, advice = "the name of the column holds control characters", "Give it another name."
                findings.add("error", name, problem, advice, column=str(column))
            values = frame[column]
            known = table.column(str(column))
            if pd.api.types.is_float_dtype(values.dtype):
                infinite = np.isinf(values.to_numpy(dtype="float64", na_value=np.nan))
                if infinite.any():
                    advice, wrong = "Correct it, or leave the cell empty.", pd.Series(infinite, index=values.index)
                    findings.add_rows("error", name, frame, wrong, str(column), "the number is infinite", advice)
                if known is not None:
                    _check_range(name, frame, known, findings, privacy)
            elif known is not None and known.categories:
                _check_labels(name, frame, known, findings)
            if column == "patient_id" and name != "patients" and "patients" in tables:
                continue  # checked there; a patient who is not there is an error
            if isinstance(values.dtype, pd.CategoricalDtype) or pd.api.types.is_string_dtype(values.dtype):
                _check_text(name, frame, str(column), findings)


def check_patients(tables: Mapping[str, pd.DataFrame], findings: FindingList) -> None:
    """Find patients that one table has and another lacks, a protocol that changes, and too few to compare."""
    patients = tables.get("patients")
    if patients is None or "patient_id" not in patients:
        return
    ids = pd.Series(patients["patient_id"].dropna().unique(), dtype="str")
    for name, frame in tables.items():
        if name == "patients" or "patient_id" not in frame:
            continue
        stranger = frame["patient_id"].notna() & ~is_among(frame["patient_id"], ids)
        if stranger.any():
            first = stranger & ~frame["patient_id"].where(stranger).duplicated()
            problem = "the patient is not in the table patients"
            advice = "Add the patient with a protocol, or remove the rows."
            findings.add_rows("error", name, frame, first, "patient_id", problem, advice)
    if "visits" in tables and "patient_id" in tables["visits"]:
        seen = pd.Series(tables["visits"]["patient_id"].unique(), dtype="str")
        unseen = patients["patient_id"].notna() & ~is_among(patients["patient_id"], seen)
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
    again = frame.duplicated(key)
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


def _check_range(table: str, frame: pd.DataFrame, column: Column, findings: FindingList, privacy: Privacy) -> None:
    values = frame[column.name]
    numbers = values.to_numpy(dtype="float64", na_value=np.nan)
    far = ((numbers < column.lowest) | (numbers > column.highest)) & np.isfinite(numbers)
    if column.name != "week" and not far.any():
        return
    outside = pd.Series(far, index=values.index)
    if column.name == "age_years" and outside.any():
        old = values.between(column.highest, 130, inclusive="right")
        if privacy == "safe-harbor":
            problem, advice = "an age over 89 must be pooled, (C)", "Write 90 for every age of 90 and over."
            findings.add_rows("error", table, frame, old, "age_years", problem, advice, identifier=True)
        outside &= ~old
    if column.name == "week":
        outside = _check_weeks(table, frame, values, outside, findings)
    if outside.any():
        inches = column.name == "height_cm" and bool(values[outside].between(48, 84).all())
        advice = "Multiply by 2.54." if inches else "Correct the value, or leave the cell empty."
        hint = "; it looks like inches" if inches else ""
        problem = f"outside {column.lowest:g} to {column.highest:g} {column.unit}{hint}".rstrip()
        findings.add_rows("error", table, frame, outside, column.name, problem, advice)


def _check_weeks(
    table: str, frame: pd.DataFrame, week: pd.Series, outside: pd.Series, findings: FindingList
) -> pd.Series:
    """Tell years, days of a spreadsheet and weeks before the start apart; return what is left outside."""
    known = week[np.isfinite(week)]
    if len(known) and known.between(*_YEARS).all() and (known == known.round()).all():
        problem, advice = "the weeks look like calendar years, (C) dates", "Give weeks since surgery or start."
        findings.add("error", table, problem, advice, column="week", identifier=True)
        return outside & False
    dates = outside & (week.between(*_SPREADSHEET_DAYS) | week.between(19_000_101, 21_001_231))
    problem, advice = "the week looks like a date written as a number, (C) dates", "Give weeks since surgery or start."
    findings.add_rows("error", table, frame, dates, "week", problem, advice, identifier=True)
    before = week.lt(0) & ~outside
    if before.any():
        problem = f"{int(before.sum()):,} rows are before week 0 and count as baseline"
        advice = "Check that these visits were before surgery or start."
        findings.add("warning", table, problem, advice, column="week")
    return outside & ~dates


def _check_labels(table: str, frame: pd.DataFrame, column: Column, findings: FindingList) -> None:
    values = frame[column.name]
    wrong = values.notna() & ~values.isin(column.categories)
    severity: Severity = "error" if table in ("visits", "flow") or column.name == "involved_side" else "warning"
    advice = f"Use one of: {', '.join(column.categories)}; a map file can recode labels."
    findings.add_rows(severity, table, frame, wrong, column.name, "the label is not a known one", advice)


def _check_text(table: str, frame: pd.DataFrame, column: str, findings: FindingList) -> None:
    values = frame[column]
    distinct = pd.Series(values.unique()).dropna().reset_index(drop=True).astype("str")
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
