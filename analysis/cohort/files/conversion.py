"""Tables as read, of text, become tables of their types; what cannot be converted becomes a finding."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

import pandas as pd

from analysis.cohort.columns import Column, convert
from analysis.cohort.findings import FindingList
from analysis.cohort.recognition.find_identifiers import are_dates
from analysis.cohort.tables import Table, kind_of
from analysis.progress import in_portions

_IN_WORDS = {"number": "a number", "boolean": "true or false", "date": "a date as year-month-day"}
_DECIMAL_COMMA = r"\s*[+-]?\d+,\d+\s*"


@dataclass(frozen=True)
class RawTable:
    """A table as it was read.

    Parameters
    ----------
    frame : pandas.DataFrame
        Columns as read, often text only. The index holds the data row, from 0.
    ragged : tuple of (int, int)
        Data row (from 0) and number of cells of each row left out because its cells do not fit the header.
    labelled : mapping of str to pandas.Series
        For columns of codes with value labels: the labels, as categories in the order of the codes.
    """

    frame: pd.DataFrame
    ragged: tuple[tuple[int, int], ...] = field(default=())
    labelled: Mapping[str, pd.Series] = field(default_factory=dict)


def add_ragged(raw: RawTable, table: str, findings: FindingList) -> None:
    """Add a finding for each row whose cells do not fit the header."""
    expected = len(raw.frame.columns)
    problem = [f"the row has {cells} cells where the header has {expected}" for _, cells in raw.ragged]
    advice = "Check the delimiter, and put texts that hold it in quotation marks."
    findings.add("error", table, problem, advice, rows=[row for row, _ in raw.ragged])


def convert_table(
    frame: pd.DataFrame,
    table: Table,
    findings: FindingList,
    extra: Mapping[str, Column] | None = None,
    held: Collection[str] = (),
) -> pd.DataFrame:
    """Bring a table to its types, and add a finding for each cell that cannot be converted: it is missing then.

    The index holds the data row, from 0, and stays. ``extra`` specifies columns that the table does not know, and orders of
    categories, from a data package or a map; texts of the columns ``held`` become categories.
    """
    converted = {}
    columns = list(frame.items())
    for place, _ in in_portions(len(columns), 1, f"columns of {table.name}"):
        name, values = columns[place]
        column = _specification(str(name), values, table, extra or {})
        column = replace(column, kind="category") if name in held else column
        converted[str(name)], bad = convert(values, column)
        if len(bad):
            patients = frame["patient_id"] if "patient_id" in frame else pd.Series("", index=frame.index)
            week = name == "week"
            add_unconverted(values.iloc[bad], patients.iloc[bad], table.name, column, findings, week=week)
    return pd.DataFrame(
        converted, index=frame.index, columns=pd.Index([str(name) for name in frame.columns], dtype="str"), copy=False
    )


def _specification(name: str, values: pd.Series, table: Table, extra: Mapping[str, Column]) -> Column:
    known, given = table.column(name), extra.get(name)
    if known is None:
        return given or Column(name, kind_of(values), "further column")
    if given is not None and known.kind == "category" and given.categories:
        return replace(known, categories=given.categories)
    return known


def add_unconverted(
    cells: pd.Series, patients: pd.Series, table: str, column: Column, findings: FindingList, *, week: bool = False
) -> None:
    """Add a finding for each cell that is not of the kind of its column.

    The index of the cells holds the row, from 0; ``patients`` has the patient of each, ``table`` the name of the table or
    file. ``week`` says that a week is expected.
    """
    if cells.empty:
        return
    text = cells.astype("str")
    dates = are_dates(text).to_numpy()
    commas = text.str.fullmatch(_DECIMAL_COMMA).fillna(value=False).to_numpy(dtype=bool) & (column.kind == "number")
    expected = "a week" if week else _IN_WORDS[column.kind]
    for chosen, problem, advice, identifier in (
        (
            dates,
            f"a date where {expected} is expected, (C) dates",
            "Give weeks since surgery or start in place of dates.",
            True,
        ),
        (
            commas,
            "a decimal comma where a decimal point is expected",
            'Set decimal = "," in the map file, or write the numbers with a point.',
            False,
        ),
        (~dates & ~commas, f"text where {expected} is expected", "Correct the cell, or leave it empty.", False),
    ):
        findings.add(
            "error",
            table,
            problem,
            advice,
            column=column.name,
            rows=cells.index.to_numpy()[chosen],
            patients=patients[chosen],
            values=cells[chosen],
            identifier=identifier,
        )
