"""The visit rows of a data frame, checked and laid out as patient by visit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.counted import counted
from analysis.errors import ModelError

Codes = NDArray[np.signedinteger[Any]]

_STRETCH = 1 << 19
_PATIENTS_AT_ONCE = 1 << 16

MOST_SCHEDULED_WEEKS = 40
"""With more distinct weeks than this the visits count as unscheduled (design choice)."""


@dataclass(frozen=True)
class Block:
    """Some patients and the rows that hold theirs."""

    patients: slice
    rows: slice


@dataclass(frozen=True)
class VisitRows:
    """One row a visit, in the order of the data frame, without rows that miss a value.

    Parameters
    ----------
    frame : DataFrame
        The rows used, with the columns that the model needs.
    patient_ids : ndarray
        One a patient, in order of first appearance.
    patient : ndarray of int, shape (rows,)
        Which patient each row belongs to.
    first_row : ndarray of int, shape (patients,)
        The first row of each patient.
    week, outcome : ndarray of float, shape (rows,)
        Week and outcome of each row.
    slot : ndarray of int, shape (rows,)
        The visit's place within its patient's pattern.
    seen : ndarray of bool, shape (patients, slots)
        The slots at which each patient has a visit.
    weeks : ndarray of float, shape (distinct weeks,)
        The distinct weeks, increasing.
    slots : int
        Places of a pattern: the distinct weeks if the visits follow a schedule, else the most visits of one patient.
    scheduled : bool
        Whether slot k is week k of ``weeks`` for every patient.
    duplicates : int
        Rows that share patient and week with an earlier row.
    dropped : int
        Rows left out because a value is missing.
    together : bool
        Whether each patient's rows stand together, in the order of the patients.
    """

    frame: pd.DataFrame
    patient_ids: NDArray[np.object_]
    patient: Codes
    first_row: NDArray[np.int64]
    week: NDArray[np.float64]
    outcome: NDArray[np.float64]
    slot: Codes
    seen: NDArray[np.bool_]
    weeks: NDArray[np.float64]
    slots: int
    scheduled: bool
    duplicates: int
    dropped: int
    together: bool

    @property
    def n_patients(self) -> int:
        """The number of patients."""
        return int(self.first_row.size)

    def by_patient(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Lay a value per row out as patient by slot, zero where there was no visit."""
        table = np.zeros((self.n_patients, self.slots))
        self.lay_out(values, table, 0, Block(slice(0, self.n_patients), slice(0, self.patient.size)))
        return table

    def lay_out(
        self, values: NDArray[np.float64], table: NDArray[np.float64], first: int, block: Block, *, shift: float = 0.0
    ) -> None:
        """Write a value per row, less a shift, into a table of a block's patients; slot 0 is column ``first``."""
        flat, width = table.reshape(-1), table.shape[1]
        for part in _stretches(block.rows.start, block.rows.stop):
            place = self.patient[part].astype(np.int64) - block.patients.start
            flat[place * width + self.slot[part] + first] = values[part] - shift

    def blocks(self) -> Iterator[Block]:
        """Cut the patients into blocks whose rows stand together; one block where a patient's rows do not."""
        ends = np.append(self.first_row, self.patient.size)
        step = _PATIENTS_AT_ONCE if self.together else self.n_patients
        for start in range(0, self.n_patients, step):
            stop = min(start + step, self.n_patients)
            rows = slice(int(ends[start]), int(ends[stop])) if self.together else slice(0, self.patient.size)
            yield Block(slice(start, stop), rows)

    def varies_within_patient(self, name: str) -> bool:
        """Tell whether a column takes two values in one patient."""
        return _differs(self.frame[name], self.first_row, self.patient)

    def values_by_week(self, name: str) -> pd.Series | None:
        """Give a column's value by week of a schedule at which there is a visit, or None where two rows of one week differ."""
        if not self.scheduled:
            return None
        place = np.searchsorted(self.weeks, self.week)
        first = np.full(self.weeks.size, -1)
        first[place[::-1]] = np.arange(place.size)[::-1]
        if _differs(self.frame[name], first, place):
            return None
        there = first >= 0
        values = self.frame[name].iloc[first[there]]
        return values.set_axis(self.weeks[there])


def _numbers(column: pd.Series) -> NDArray[Any]:
    """Give numbers that are equal where the values of the column are."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return np.asarray(column.cat.codes)
    if pd.api.types.is_numeric_dtype(column.dtype):
        return column.to_numpy()
    return pd.factorize(column)[0]


def _differs(column: pd.Series, first: NDArray[np.int64], group: Codes) -> bool:
    values = _numbers(column)
    own = values[first]
    return any(bool((values[part] != own[group[part]]).any()) for part in _stretches(0, values.size))


def _stretches(start: int, stop: int) -> Iterator[slice]:
    """Cut many rows into stretches, so that what is computed on the way stays small."""
    for here in range(start, stop, _STRETCH):
        yield slice(here, min(here + _STRETCH, stop))


def _mark_seen(patient: Codes, slot: Codes, patients: int, slots: int) -> NDArray[np.bool_]:
    seen = np.zeros(patients * slots, dtype=bool)
    for part in _stretches(0, patient.size):
        seen[patient[part].astype(np.int64) * slots + slot[part]] = True
    return seen.reshape(patients, slots)


def read_rows(
    data: pd.DataFrame,
    *,
    outcome: str,
    variables: list[str],
    patient: str,
    week: str,
    schedule: NDArray[np.float64] | None = None,
) -> VisitRows:
    """Check the rows, one a visit, and lay them out; those that miss a value are left out and counted.

    With a ``schedule``, on which all weeks are, its weeks are the slots, whether there are visits or not.

    Raises
    ------
    ModelError
        For a column that is not there, a week or outcome that is not a number, an infinite value, or no row left.
    """
    wanted = list(dict.fromkeys([patient, week, outcome, *variables]))
    absent = [name for name in wanted if name not in data.columns]
    if absent:
        raise ModelError(
            f"The data have no column {', '.join(map(repr, absent))}.",
            where=f"columns: {', '.join(map(str, data.columns[:20]))}",
            what_to_do="Correct the name in the formula or in patient=, week=.",
        )
    _refuse_words(
        data[week], week, "week", "Give the weeks since surgery or start as numbers, for example 6 for 'week 6'."
    )
    _refuse_words(data[outcome], outcome, "outcome", "Convert the outcome to numbers first (pandas.to_numeric).")
    frame = pd.DataFrame({name: data[name] for name in wanted}, copy=False)
    _refuse_dates(frame, variables)
    _refuse_infinite(frame)
    complete = complete_rows(frame)
    dropped = int(complete.size - np.count_nonzero(complete))
    if dropped:
        frame = frame.iloc[np.flatnonzero(complete)]
    if frame.empty:
        raise ModelError(
            "No row has outcome, patient, week and every covariate.",
            where=f"{complete.size} rows, all with a missing value",
            what_to_do="Look for a covariate that is missing for every patient and leave it out.",
        )
    code, ids, first, most, together = _patients(frame[patient])
    weeks_of_rows = frame[week].to_numpy(dtype=np.float64, na_value=np.nan)
    if schedule is None:
        weeks, place = _distinct_weeks(weeks_of_rows)
    else:
        weeks, place = schedule, np.searchsorted(schedule, weeks_of_rows)
    scheduled = schedule is not None or (weeks.size <= MOST_SCHEDULED_WEEKS and weeks.size <= max(3 * most, 6))
    slot, slots, duplicates = place, int(weeks.size), 0
    if scheduled:
        seen = _mark_seen(code, place, first.size, slots)
        duplicates = int(place.size - np.count_nonzero(seen))
    if not scheduled or duplicates:
        slot, slots, duplicates = _visit_numbers(code, place)
        seen = _mark_seen(code, slot, first.size, slots)
        scheduled = False
    return VisitRows(
        frame=frame,
        patient_ids=ids,
        patient=code,
        first_row=first,
        week=weeks_of_rows,
        outcome=frame[outcome].to_numpy(dtype=np.float64, na_value=np.nan),
        slot=slot,
        seen=seen,
        weeks=weeks,
        slots=slots,
        scheduled=scheduled,
        duplicates=duplicates,
        dropped=dropped,
        together=together,
    )


def _refuse_words(column: pd.Series, name: str, role: str, what_to_do: str) -> None:
    if not pd.api.types.is_numeric_dtype(column.dtype):
        example = column.dropna().head(1).tolist()
        raise ModelError(
            f"The {role} column {name!r} holds {column.dtype}, not numbers.",
            where=f"first value: {example[0]!r}" if example else "no values",
            what_to_do=what_to_do,
        )


def _refuse_dates(frame: pd.DataFrame, variables: list[str]) -> None:
    for name in variables:
        if pd.api.types.is_datetime64_any_dtype(frame[name].dtype) or pd.api.types.is_timedelta64_dtype(
            frame[name].dtype
        ):
            raise ModelError(
                f"Column {name!r} holds {frame[name].dtype}, and a model takes numbers and categories.",
                where="covariates of the formula",
                what_to_do="Give it as a number, for example the days since a day that is the same for all.",
            )


def _refuse_infinite(frame: pd.DataFrame) -> None:
    for name, column in frame.items():
        if pd.api.types.is_float_dtype(column.dtype):
            values = column.to_numpy(dtype=np.float64, na_value=np.nan)
            rows = np.flatnonzero(np.isinf(values)) if not np.isfinite(values).all() else np.empty(0, dtype=int)
            if rows.size:
                raise ModelError(
                    f"Column {name!r} has {counted(rows.size, 'infinite value')}.",
                    where=f"rows {', '.join(map(str, rows[:5]))} (counted from 0)",
                    what_to_do="Find the division by zero that made them, or set them to missing.",
                )


def complete_rows(frame: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell which rows miss no value."""
    complete = np.ones(len(frame), dtype=bool)
    for name in frame.columns:
        column = frame[name]
        if isinstance(column.dtype, pd.CategoricalDtype):
            complete &= column.cat.codes.to_numpy() >= 0
        else:
            complete &= column.notna().to_numpy()
    return complete


def _count(code: Codes, size: int) -> NDArray[np.int64]:
    counts = np.zeros(size, dtype=np.int64)
    for part in _stretches(0, code.size):
        counts += np.bincount(code[part], minlength=size)
    return counts


def _patients(column: pd.Series) -> tuple[Codes, NDArray[np.object_], NDArray[np.int64], int, bool]:
    """Give each row its patient's number; where a patient's rows stand together, by looking for the changes only."""
    keys = _numbers(column)
    change = np.empty(keys.size, dtype=bool)
    change[0] = True
    np.not_equal(keys[1:], keys[:-1], out=change[1:])
    first = np.flatnonzero(change)
    starts = keys[first]
    together = bool((np.diff(starts) > 0).all()) or pd.unique(starts).size == starts.size
    if together:
        code: Codes = np.cumsum(change, dtype=np.int32)
        code -= 1
        most = int(np.diff(np.append(first, keys.size)).max())
    else:
        code = pd.factorize(keys)[0].astype(np.int32)
        first = np.full(int(code.max()) + 1, -1)
        first[code[::-1]] = np.arange(code.size)[::-1]
        most = int(np.bincount(code).max())
    ids: NDArray[np.object_] = np.asarray(column.iloc[first])
    return code, ids, first, most, together


def _distinct_weeks(week: NDArray[np.float64]) -> tuple[NDArray[np.float64], Codes]:
    """Find the distinct weeks and each row's place among them."""
    low, high = week.min(), week.max()
    if low >= 0.0 and high < 4096.0:
        whole = week.astype(np.int16)
        if bool((whole == week).all()):
            used = _count(whole, int(high) + 1) > 0
            number = (np.cumsum(used) - 1).astype(np.int16)
            return np.flatnonzero(used).astype(np.float64), number[whole]
    place, found = pd.factorize(week, sort=True)
    return np.asarray(found, dtype=np.float64), place.astype(np.int32)


def _visit_numbers(code: Codes, place: Codes) -> tuple[Codes, int, int]:
    """Give each row its place among its patient's visits by week; count the rows that share patient and week."""
    order = np.lexsort((place, code))
    sorted_code, sorted_place = code[order], place[order]
    start = np.flatnonzero(np.concatenate([[True], sorted_code[1:] != sorted_code[:-1]]))
    number = np.arange(code.size) - np.repeat(start, np.diff(np.append(start, code.size)))
    slot = np.empty(code.size, dtype=np.int64)
    slot[order] = number
    same = (sorted_code[1:] == sorted_code[:-1]) & (sorted_place[1:] == sorted_place[:-1])
    return slot, int(number.max()) + 1, int(same.sum())
