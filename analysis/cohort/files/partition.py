"""Cohort folders in parts: by which column of the patients they are cut, and which files hold the patients of which value."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.files.limits import MOST_CELLS
from analysis.cohort.files.package_schema import DESCRIPTOR, OWN_PART
from analysis.cohort.tables import TABLES, Cohort
from analysis.cohort.text_columns import places_among
from analysis.errors import CohortError
from analysis.foreign_text import visible

#: What the patients of a part share; None where they have no value.
Value = str | float | bool | None
#: Most parts of a folder (design choice): each table has a file for each.
MOST_PARTS = 1_000
_KEY = "partition"
_NAMED = 20


@dataclass(frozen=True)
class PartFile:
    """One file of a table: its name, the SHA-256 of its bytes in hexadecimal, and how many rows were written."""

    path: str
    sha256: str
    rows: int


@dataclass(frozen=True)
class Part:
    """The files, by table, with all rows of the patients that have a value."""

    value: Value
    files: Mapping[str, PartFile]


@dataclass(frozen=True)
class Partition:
    """A folder's parts: the column of patients that they are cut by, and the parts in the order of their values."""

    by: str
    parts: tuple[Part, ...]

    def to_json(self) -> dict[str, Any]:
        """Return plain values, for the descriptor."""
        parts = [
            {
                "value": part.value,
                "files": {
                    name: {"path": one.path, "hash": f"sha256:{one.sha256}", "rows": one.rows}
                    for name, one in part.files.items()
                },
            }
            for part in self.parts
        ]
        return {"by": self.by, "parts": parts}


def read_partition(descriptor: dict[str, Any]) -> Partition | None:
    """Read how a folder is cut; None where it is not.

    Raises
    ------
    CohortError
        The description does not have the expected form, or names other files than the resources do.
    """
    own = descriptor.get(OWN_PART)
    given = own.get(_KEY) if isinstance(own, dict) else None
    if given is None:
        return None
    try:
        found = Partition(str(given["by"]), tuple(_read_part(one) for one in given["parts"]))
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise _unreadable("the description does not have the expected form") from error
    if not found.parts or len({one.value for one in found.parts}) < len(found.parts):
        raise _unreadable("a value has no part, or comes twice")
    for resource in descriptor["resources"]:
        name = str(resource["name"])
        listed = [one.files[name].path for one in found.parts if name in one.files]
        path = resource.get("path")
        if listed and (path if isinstance(path, list) else [path]) != listed:
            raise _unreadable(f"the table {name} has other files in the parts than in its path")
        if listed and len(listed) < len(found.parts):
            raise _unreadable(f"a part has no file of the table {name}")
    return found


def _read_part(given: Any) -> Part:
    value = given["value"]
    if value is not None and not isinstance(value, str | int | float | bool):
        raise TypeError(value)
    files = {
        str(name): PartFile(str(one["path"]), str(one["hash"]).removeprefix("sha256:"), int(one["rows"]))
        for name, one in given["files"].items()
    }
    if "patients" not in files or any(not 0 <= one.rows <= MOST_CELLS for one in files.values()):
        raise ValueError(files)
    return Part(value, files)


def _unreadable(reason: str) -> CohortError:
    return CohortError(
        f"The parts of the folder cannot be read: {reason}.",
        where=f"{DESCRIPTOR}, {OWN_PART}, {_KEY}",
        what_to_do="Write the folder again from its source.",
    )


def cut_patients(cohort: Cohort, by: str) -> tuple[list[Value], np.ndarray]:
    """Give the values of a column of patients, in the order of the parts, and the part of each patient, from 0.

    Categories come in their order, others sorted, patients without a value last.

    Raises
    ------
    CohortError
        There is no such column, it holds dates, is the identifier, or has too many values.
    """
    patients = cohort.patients
    could_be = [
        str(name)
        for name in patients
        if name != "patient_id" and not pd.api.types.is_datetime64_any_dtype(patients[name].dtype)
    ]
    where = "write_cohort(partition=...)"
    if by not in could_be:
        raise CohortError(
            "The parts of a cohort cannot be those of single patients."
            if by == "patient_id"
            else f"The table patients has no column {by!r} to cut it by.",
            where=where,
            what_to_do=f"Use one of its columns of labels or numbers: {', '.join(map(visible, could_be))}.",
        )
    values = patients[by]
    codes, found = pd.factorize(values, sort=not isinstance(values.dtype, pd.CategoricalDtype))
    if isinstance(values.dtype, pd.CategoricalDtype):
        used = np.unique(values.cat.codes.to_numpy())
        used = used[used >= 0]
        codes = np.append(np.searchsorted(used, np.arange(len(values.cat.categories))), -1)[values.cat.codes.to_numpy()]
        found = values.cat.categories[used]
    names: list[Value] = [_plain(one) for one in found]
    if (codes < 0).any():
        codes, names = np.where(codes < 0, len(names), codes), [*names, None]
    if len(names) > MOST_PARTS:
        raise CohortError(
            f"The column {by!r} has {len(names):,} different values, and a folder at most {MOST_PARTS:,} parts.",
            where=where,
            what_to_do="Cut the cohort by a column with fewer values, such as site or quarter.",
        )
    return names, codes


def rows_of_parts(frame: pd.DataFrame, patients: pd.DataFrame, part: np.ndarray, n: int) -> list[np.ndarray]:
    """Give the rows of each of ``n`` parts of a table, in their order; ``part`` says in which part each patient is."""
    own = part if frame is patients else part[places_among(frame["patient_id"], patients["patient_id"])]
    order = np.argsort(own, kind="stable")
    return np.split(order, np.cumsum(np.bincount(own, minlength=n))[:-1])


def are_cut(name: str) -> bool:
    """Say whether the rows of a table are of patients, so that it is cut."""
    return TABLES[name].column("patient_id") is not None  # type: ignore[index]


def _plain(value: Any) -> Value:
    if isinstance(value, bool | np.bool_):
        return bool(value)
    return str(value) if isinstance(value, str) else float(value)


def value_in_words(value: object) -> str:
    """Write a value of a column for a message.

    Examples
    --------
    >>> value_in_words("north"), value_in_words(2.0), value_in_words(None)
    ("'north'", '2', 'no value')
    """
    if value is None:
        return "no value"
    if isinstance(value, float) and math.isfinite(value):
        return f"{value:.15g}"
    return repr(value)


def values_in_words(values: list[Any]) -> str:
    """List values of a column for a message, the first of many."""
    more = f" and {len(values) - _NAMED:,} more" if len(values) > _NAMED else ""
    return ", ".join(map(value_in_words, values[:_NAMED])) + more if values else "none"
