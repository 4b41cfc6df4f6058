"""What of a cohort folder is read: some patients with all their rows, some columns of a table."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.files.partition import value_in_words, values_in_words
from analysis.cohort.tables import TABLES
from analysis.errors import CohortError
from analysis.foreign_text import visible

#: Columns of tables, by the name of the table.
Columns = Mapping[str, Sequence[str]]
#: Values of columns of patients, by the name of the column.
Where = Mapping[str, Sequence[object]]


class Selection:
    """Which patients, and which columns of which tables, are read.

    Parameters
    ----------
    columns : mapping, optional
        Columns of a table that are read, beside its key and those that it must have; tables not named are read whole.
    where : mapping, optional
        Values by column of patients: patients that have one of the values in each of the columns. None stands for no value.

    Raises
    ------
    CohortError
        They are given in another form.
    """

    def __init__(self, columns: Columns | None = None, where: Where | None = None) -> None:
        self.columns = {name: tuple(_listed(some, name, "columns")) for name, some in (columns or {}).items()}
        self.where = {name: tuple(_listed(some, name, "where")) for name, some in (where or {}).items()}
        self._seen: dict[str, dict[Any, None]] = {name: {} for name in self.where}
        self._matched = False

    @property
    def is_whole(self) -> bool:
        """Whether everything is read."""
        return not self.columns and not self.where

    def refuse_unknown_tables(self, there: Sequence[str]) -> None:
        """Refuse columns of a table that the folder does not have."""
        for name in self.columns:
            if name not in there:
                raise CohortError(
                    f"The folder has no table {name!r}.",
                    where="load_cohort(columns=...)",
                    what_to_do=f"Its tables are: {', '.join(there)}.",
                )

    def refuse_unknown_columns(self, table: str, there: Sequence[str]) -> None:
        """Refuse columns that a table does not have, and columns of patients to choose by that are not there."""
        asked = [(one, f"load_cohort(columns={{{table!r}: ...}})") for one in self.columns.get(table, ())]
        asked += [(one, "load_cohort(where=...)") for one in (self.where if table == "patients" else ())]
        for name, where in asked:
            if name not in there:
                raise CohortError(
                    f"The table {table} has no column {name!r}.",
                    where=where,
                    what_to_do=f"Its columns are: {', '.join(map(visible, there))}.",
                )

    def kept(self, table: str, there: Sequence[str]) -> list[str]:
        """Give the columns of a table that the cohort gets, of those that are there."""
        if table not in self.columns:
            return list(there)
        needed = {*TABLES[table].key, *TABLES[table].required_columns, *self.columns[table]}  # type: ignore[index]
        return [name for name in there if name in needed]

    def read(self, table: str, there: Sequence[str], by: str | None) -> list[str]:
        """Give the columns that are read: those kept, and those that tell which patients are meant; ``by`` cuts the folder."""
        needed = {*self.kept(table, there), *((*self.where, by) if table == "patients" else ())}
        return [name for name in there if name in needed]

    def may_hold(self, column: str, value: object) -> bool:
        """Say whether patients with a value may be among those meant."""
        return column not in self.where or key_of(value) in {key_of(one) for one in self.where[column]}

    def matches(self, patients: pd.DataFrame) -> np.ndarray:
        """Say which patients are meant."""
        meant = np.ones(len(patients), dtype=bool)
        for name, asked in self.where.items():
            codes, found = pd.factorize(patients[name])
            keys = [key_of(one) for one in found]
            wanted = {key_of(one) for one in asked}
            self._seen[name] |= dict.fromkeys([*keys, *([None] if (codes < 0).any() else [])])
            meant &= np.array([*(key in wanted for key in keys), None in wanted], dtype=bool)[codes]
        self._matched |= bool(meant.any())
        return meant

    def refuse_unknown_values(self, column: str, there: Sequence[object]) -> None:
        """Refuse values to choose by that no patient has; ``there`` are those that are there."""
        known = {key_of(one) for one in there}
        for value in self.where.get(column, ()):
            if key_of(value) not in known:
                raise CohortError(
                    f"No patient has {value_in_words(value)} in the column {column!r}.",
                    where="load_cohort(where=...)",
                    what_to_do=f"There are: {values_in_words(list(there))}.",
                )

    def refuse_nothing(self, labels: Mapping[str, Sequence[str]], *, all_seen: bool) -> None:
        """Refuse a choice that nobody met, once all was read.

        ``labels`` are those that a column is known to have; ``all_seen`` says that all patients were looked at.
        """
        for name in self.where:
            if all_seen or labels.get(name):
                there = list({**dict.fromkeys(labels.get(name, ())), **self._seen[name]})
                there.sort(key=lambda one: one if isinstance(one, float) else math.inf)
                self.refuse_unknown_values(name, there)
        if self.where and not self._matched:
            raise CohortError(
                "No patient has all of these values.",
                where=f"load_cohort(where=...): {self._in_words()}",
                what_to_do="Choose by fewer columns, or more values.",
            )

    def in_words(self) -> str:
        """Say what was read, for the record of the cohort."""
        parts = [f"patients with {self._in_words()}"] if self.where else []
        parts += [f"of {name} the columns {', '.join(some) or 'of its key'}" for name, some in self.columns.items()]
        return f"Read in part: {'; '.join(parts)}."

    def _in_words(self) -> str:
        return " and ".join(f"{name} {' or '.join(map(value_in_words, some))}" for name, some in self.where.items())


def _listed(given: Any, name: object, argument: str) -> list[Any]:
    """Give a list of what was given; one text or number is a list of one."""
    if isinstance(given, str | int | float) or given is None:
        return [given]
    values = list(given) if isinstance(given, Sequence | set | frozenset | np.ndarray | pd.Series | pd.Index) else []
    if not isinstance(name, str) or (not values and argument == "where"):
        raise CohortError(
            f"What should be chosen by {name!r} cannot be read: {given!r}.",
            where=f"load_cohort({argument}=...)",
            what_to_do="Give a list of values for each name, such as where={'site': ['north']}.",
        )
    return values


def key_of(value: Any) -> Any:
    """Give what equal values of any type share; None for a missing one."""
    if value is None or value is pd.NA or value != value:
        return None
    if isinstance(value, bool | np.bool_):
        return bool(value)
    return float(value) if isinstance(value, int | float | np.number) else str(value)
