"""The planted identifiers and the clean columns as tables; every draw is fixed by the names of its table and column.

Letters are those of 45 CFR 164.514(b)(2)(i), A to R. In the cells of the files ``#`` is a digit from 1 to 9 (of ``digits``,
if a column has its own), ``<given>``, ``<family>``, ``<town>`` and ``<street>`` a word of ``pools.toml``, ``<G>`` and ``<F>``
an initial, ``§`` a number counted from ``sequence``. Braces hold the part of a cell that identifies, the whole cell where there
are none. With ``labels`` or a ``range`` each form stands in one row and the other rows identify nobody. ``beside`` is a column
that identifies nobody and explains the planted.
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import pandas as pd

HERE = Path(__file__).parent
PATIENTS, CLEAN_PATIENTS = 40, 120


class PlantedColumn(NamedTuple):
    """A column with identifiers: the rows that hold one, and the identifying parts of each of these rows."""

    table: str
    header: str
    letter: str
    language: str
    trick: str
    forms: int
    values: pd.Series[Any]
    rows: tuple[int, ...]
    parts: tuple[tuple[str, ...], ...]
    beside: dict[str, list[str]]

    @property
    def cells(self) -> list[Any]:
        """Give the cells that hold an identifier."""
        return list(self.values.iloc[list(self.rows)])


class CleanColumn(NamedTuple):
    """A column that identifies nobody."""

    header: str
    kind: str
    values: pd.Series[Any]


class NamedThing(NamedTuple):
    """A name or a text outside the cells, with the parts of it that identify."""

    where: str
    letter: str
    language: str
    text: str
    parts: tuple[str, ...]


@cache
def read(name: str) -> dict[str, Any]:
    """Read one of the corpus's files."""
    return tomllib.loads((HERE / f"{name}.toml").read_text(encoding="utf-8"))


def parted(text: str) -> tuple[str, tuple[str, ...]]:
    """Take the braces out of a text and give what stood in them, the whole text where there are none."""
    return re.sub(r"[{}]", "", text), tuple(re.findall(r"\{(.*?)\}", text)) or (text,)


def filled(form: str, patient: int, entry: dict[str, Any], rng: Random) -> str:
    """Write a form for one patient: words of its language, the number that counts, then digits."""
    words = {name: among[patient % len(among)] for name, among in read("pools")[entry["language"]].items()}
    words |= {"G": words["given"][0], "F": words["family"][0]}
    text = re.sub("<(given|family|town|street|G|F)>", lambda match: words[match[1]], form)
    first, *pieces = text.replace("§", str(entry.get("sequence", 0) + patient)).split("#")
    digits = rng.choices(entry.get("digits", "0123456789")[1:], k=len(pieces))
    return first + "".join(digit + piece for digit, piece in zip(digits, pieces, strict=True))


def drawn(entry: dict[str, Any], count: int, rng: Random) -> list[Any]:
    """Draw from a range (lowest, highest, decimals) or from labels, of which "" is a missing cell."""
    if "range" in entry:
        lowest, highest, decimals = entry["range"]
        if decimals:
            return [round(rng.uniform(lowest, highest), decimals) for _ in range(count)]
        return [rng.randint(lowest, highest) for _ in range(count)]
    return [None if one == "" else one for one in rng.choices(entry["labels"], k=count)]


def planted(table: str, entry: dict[str, Any]) -> PlantedColumn:
    """Plant the forms of one column."""
    rng = Random(f"{table}/{entry['header']}")
    forms, values, rows = entry["cells"], [None] * PATIENTS, list(range(PATIENTS))
    if "labels" in entry or "range" in entry:
        values, rows = drawn(entry, PATIENTS, rng), sorted(rng.sample(range(PATIENTS), len(forms)))
    typed = {"int": int, "float": float, "date": pd.Timestamp}.get(entry.get("type", ""), str)
    parts = []
    for place, row in enumerate(rows):
        text, found = parted(filled(forms[place % len(forms)], row, entry, rng))
        values[row] = typed(text)
        parts.append(found if typed is str else (str(values[row]),))
    beside = {name: [cells[row % len(cells)] for row in rows] for name, cells in entry.get("beside", {}).items()}
    header, letter, language, trick = (entry[name] for name in ("header", "letter", "language", "trick"))
    column = pd.Series(values, name=header)
    return PlantedColumn(table, header, letter, language, trick, len(forms), column, tuple(rows), tuple(parts), beside)


@cache
def planted_columns() -> tuple[PlantedColumn, ...]:
    """Give every planted column; a file is a table."""
    tables = sorted(file.stem for file in HERE.glob("identifiers_*.toml"))
    return tuple(planted(table, entry) for table in tables for entry in read(table)["columns"])


@cache
def planted_tables() -> dict[str, pd.DataFrame]:
    """Give the tables of 40 patients with the planted columns, and with those that must stand beside them."""
    tables: dict[str, dict[str, Any]] = {}
    for one in planted_columns():
        tables.setdefault(one.table, {}).update({one.header: one.values, **one.beside})
    return {table: pd.DataFrame(columns) for table, columns in tables.items()}


@cache
def clean_columns(name: str = "clean_columns") -> tuple[CleanColumn, ...]:
    """Give every clean column of a list, of 120 patients."""
    found = []
    for entry in read(name)["columns"]:
        rng = Random(entry["header"])
        values = pd.Series(drawn(entry, CLEAN_PATIENTS, rng), name=entry["header"])
        absent = [rng.random() < entry.get("missing", 0.0) for _ in range(CLEAN_PATIENTS)]
        found.append(CleanColumn(entry["header"], entry["kind"], values.mask(pd.Series(absent))))
    return tuple(found)


def clean_table() -> pd.DataFrame:
    """Give the clean columns as one table of 120 patients, without a column that names the patient."""
    return pd.DataFrame({one.header: one.values for one in clean_columns()})


def named_things() -> tuple[NamedThing, ...]:
    """Give the names of files, sheets, headers and the like that hold an identifier."""
    things = read("names_of_things")["things"]
    return tuple(NamedThing(one["where"], one["letter"], one["language"], *parted(one["text"])) for one in things)
