"""The tables and keys of a map file, read strictly: an unknown key or a value of another kind is an error."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from analysis.cohort.columns import Kind
from analysis.cohort.files.header_rows import MOST_HEADER_ROWS
from analysis.cohort.files.readers import DELIMITERS, USUAL_MISSING
from analysis.errors import CohortError


@dataclass(frozen=True)
class FileFormat:
    """Which file, and how it is written.

    ``file`` is a name in the folder that is imported (None: the file that is imported), ``sheet`` one of a workbook,
    ``catalog`` the file with the value labels of a SAS file; encoding None is UTF-8 or what the byte-order mark says;
    ``header_rows`` are the rows of names at the top.
    """

    delimiter: str = ","
    decimal: str = "."
    encoding: str | None = None
    missing: tuple[str, ...] = USUAL_MISSING
    file: str | None = None
    sheet: str | None = None
    catalog: str | None = None
    header_rows: int = 1


@dataclass(frozen=True)
class PatientColumn:
    """Where a column of a table comes from: a column of the file, or one constant for every row."""

    name: str
    column: str | None = None
    constant: str | float | bool | None = None
    kind: Kind | None = None
    recode: Mapping[str, str] = field(default_factory=dict)
    order: tuple[str, ...] = ()


class Keys:
    """One table of a map file: each key is known, each value of its kind."""

    def __init__(self, data: Any, file: str, place: str) -> None:
        self.file, self.place = file, place
        if not isinstance(data, Mapping):
            raise CohortError(
                f"{place or 'The map'} should be a table of keys.",
                where=file,
                what_to_do="See the maps in the documentation.",
            )
        self.data = dict(data)

    def error(self, key: str, problem: str) -> CohortError:
        """Make an error about one key."""
        return CohortError(
            f"In the map, {key} {problem}.", where=f"{self.file}, [{self.place}]" if self.place else self.file,
            what_to_do="Correct the map file.",
        )  # fmt: skip

    def allow(self, *allowed: str, required: tuple[str, ...] = ()) -> None:
        """Refuse unknown keys; the message lists the allowed ones."""
        place = f"{self.file}, [{self.place}]" if self.place else self.file
        for problem, names in (
            ("does not exist", [key for key in self.data if key not in allowed]),
            ("is missing", [key for key in required if key not in self.data]),
        ):
            if names:
                raise CohortError(
                    f"The key {names[0]!r} {problem}.", where=place, what_to_do=f"Allowed keys: {', '.join(allowed)}."
                )

    def one_of(self, key: str, other: str) -> None:
        """Refuse two keys that stand for each other where both are given, or none."""
        if (key in self.data) == (other in self.data):
            raise self.error(key, f"or {other} must be given, one of them")

    def table(self, key: str) -> Keys:
        """Give a table under this one; empty where there is none."""
        return Keys(self.data.get(key, {}), self.file, key)

    def part(self, *names: str) -> Keys:
        """Give some keys of this table, those that are there."""
        return Keys({name: self.data[name] for name in names if name in self.data}, self.file, self.place)

    def text(self, key: str) -> str | None:
        """Give a text, or None."""
        value = self.data.get(key)
        if value is not None and not isinstance(value, str):
            raise self.error(key, f"should be a text in quotation marks, not {value!r}")
        return value

    def number(self, key: str) -> float | None:
        """Give a number, or None."""
        value = self.data.get(key)
        if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise self.error(key, f"should be a number, not {value!r}")
        return None if value is None else float(value)

    def numbers(self) -> dict[str, float]:
        """Give all values of this table, which must be numbers."""
        return {key: self.number(key) or 0.0 for key in self.data}

    def labels(self, key: str) -> dict[str, str]:
        """Give a table of texts, old = "new"."""
        value = self.data.get(key, {})
        if not isinstance(value, Mapping):
            raise self.error(key, 'should be a table: { old = "new" }')
        return {str(old): str(new) for old, new in value.items()}

    def choice(self, key: str, options: tuple[str, ...], default: str) -> str:
        """Give one of a few texts."""
        value = self.data.get(key, default)
        if value != default and value not in options:
            raise self.error(key, f"should be one of {', '.join(repr(option) for option in options)}, not {value!r}")
        return str(value)


def read_format(keys: Keys, usual: FileFormat | None = None) -> FileFormat:
    """Read how a file is written; what is not said is as in ``usual``."""
    keys.allow("file", "sheet", "catalog", "delimiter", "decimal", "encoding", "missing", "header_rows")
    usual = usual or FileFormat()
    missing = keys.data.get("missing", usual.missing)
    if isinstance(missing, str) or not all(isinstance(text, str | int | float) for text in missing):
        raise keys.error("missing", "should be a list of texts")
    header_rows = keys.data.get("header_rows", usual.header_rows)
    if type(header_rows) is not int or not 1 <= header_rows <= MOST_HEADER_ROWS:
        raise keys.error("header_rows", f"should be the number of rows with names at the top, 1 to {MOST_HEADER_ROWS}")
    return FileFormat(
        delimiter=keys.choice("delimiter", tuple(DELIMITERS), usual.delimiter),
        decimal=keys.choice("decimal", (".", ","), usual.decimal),
        encoding=keys.text("encoding") or usual.encoding,
        missing=tuple(dict.fromkeys(["", *(str(text) for text in missing)])),
        file=keys.text("file") or usual.file,
        sheet=keys.text("sheet") or usual.sheet,
        catalog=keys.text("catalog") or usual.catalog,
        header_rows=header_rows,
    )


def read_column(table: Keys, name: str) -> PatientColumn:
    """Read where a column of a table comes from."""
    given = table.data[name]
    if isinstance(given, str):
        return PatientColumn(name, column=given)
    keys = Keys(given, table.file, f"{table.place}.{name}")
    keys.allow("column", "constant", "kind", "recode", "order")
    keys.one_of("column", "constant")
    kind = keys.choice("kind", ("text", "category", "number", "boolean"), "") or None
    order = keys.data.get("order", [])
    if not isinstance(order, list):
        raise keys.error("order", "should be a list of labels")
    return PatientColumn(
        name,
        column=keys.text("column"),
        constant=keys.data.get("constant"),
        kind=kind,  # type: ignore[arg-type]
        recode=keys.labels("recode"),
        order=tuple(str(label) for label in order),
    )
