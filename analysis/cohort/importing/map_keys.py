"""The tables and keys of a map file, read strictly: an unknown key or a value of another kind is an error."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from analysis.cohort.columns import Kind
from analysis.cohort.files.header_rows import MOST_HEADER_ROWS
from analysis.cohort.files.readers import USUAL_MISSING
from analysis.cohort.importing.map_reference import COLUMN
from analysis.cohort.importing.map_sections import Section
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


#: No number of a map is larger (design choice).
_LARGEST = 1e9


class Keys:
    """One table of a map file: each key is known to its section, each value of its kind; errors end with the lines of the key."""

    def __init__(self, data: Any, file: str, place: str, section: Section) -> None:
        self.file, self.place, self.section = file, place, section
        if not isinstance(data, Mapping):
            raise CohortError(
                f"{place or 'The map'} should be a table of keys.",
                where=self.where,
                what_to_do=["Its keys:", *(line for key in section.keys for line in key.lines)],
            )
        self.data = dict(data)

    @property
    def where(self) -> str:
        """The file and the section, for messages."""
        return f"{self.file}, [{self.place}]" if self.place else self.file

    def error(self, key: str, problem: str) -> CohortError:
        """Make an error about one key."""
        what_to_do = ["Correct the map file.", *self.section.lines(key)]
        return CohortError(f"In the map, {key} {problem}.", where=self.where, what_to_do=what_to_do)

    def explained(self, error: CohortError, *keys: str) -> CohortError:
        """Say where in the map an error comes from, with the lines of the keys that it is about."""
        return CohortError(error.what, where=self.where, what_to_do=[error.what_to_do, *self.section.lines(*keys)])

    def allow(self) -> None:
        """Refuse keys that the section does not have, and miss those that it must have."""
        names = [key.name for key in self.section.keys]
        unknown = [] if self.section.open_to else [key for key in self.data if key not in names]
        if unknown:
            raise CohortError(
                f"The key {unknown[0]!r} does not exist.", where=self.where,
                what_to_do=[f"Allowed keys: {', '.join(names)}.", *self.section.lines(*get_close_matches(unknown[0], names, 1))],
            )  # fmt: skip
        missing = [key.name for key in self.section.keys if key.required and key.name not in self.data]
        if missing:
            raise CohortError(
                f"The key {missing[0]!r} is missing.",
                where=self.where,
                what_to_do=["Add it.", *self.section.lines(missing[0])],
            )

    def one_of(self, key: str, other: str) -> None:
        """Refuse two keys that stand for each other where both are given, or none."""
        if (key in self.data) == (other in self.data):
            problem = f"or {other} must be given, one of them"
            raise CohortError(
                f"In the map, {key} {problem}.", where=self.where,
                what_to_do=["Correct the map file.", *self.section.lines(key, other)],
            )  # fmt: skip

    def table(self, key: str, section: Section) -> Keys:
        """Give a table under this one; empty where there is none."""
        return Keys(self.data.get(key, {}), self.file, key, section)

    def tables(self, key: str, section: Section) -> list[Keys]:
        """Give a list of tables, each a block with a heading of its own; empty where there is none."""
        given = self.data.get(key, [])
        place = f"{self.place}.{key}" if self.place else key
        if not isinstance(given, list):
            raise self.error(key, f"should be a list of tables, each headed [[{place}]]")
        return [Keys(one, self.file, f"{place}[{i + 1}]", section) for i, one in enumerate(given)]

    def part(self, *names: str) -> Keys:
        """Give some keys of this table, those that are there."""
        return Keys({name: self.data[name] for name in names if name in self.data}, self.file, self.place, self.section)

    def text(self, key: str) -> str | None:
        """Give a text, or None."""
        value = self.data.get(key)
        if value is not None and not isinstance(value, str):
            raise self.error(key, f"should be a text in quotation marks, not {value!r}")
        return value

    def number(self, key: str) -> float | None:
        """Give a number; where it is not given what the section says, or None."""
        declared = self.section.key(key)
        value = self.data.get(key, None if declared is None else declared.default)
        if value is not None and not _is_number(value):
            raise self.error(key, f"should be a number, not {value!r}")
        return None if value is None else float(value)

    def numbers(self, key: str) -> dict[str, float]:
        """Give a table of numbers, name = number."""
        value = self.data.get(key, {})
        if not isinstance(value, Mapping):
            raise self.error(key, "should be a table: { name = number }")
        for name, number in value.items():
            if not _is_number(number):
                raise self.error(f"{name} in {key}", f"should be a number, not {number!r}")
        return {str(name): float(number) for name, number in value.items()}

    def labels(self, key: str) -> dict[str, str]:
        """Give a table of texts, old = "new"."""
        value = self.data.get(key, {})
        if not isinstance(value, Mapping):
            raise self.error(key, 'should be a table: { old = "new" }')
        for old, new in value.items():
            if not isinstance(new, str | int | float) or (isinstance(new, float) and not _is_number(new)):
                raise self.error(f"{old} in {key}", f"should be a text, not {new!r}")
        return {str(old): str(new) for old, new in value.items()}

    def choice(self, key: str, usual: str = "") -> str:
        """Give one of the texts that the section allows; where it is not given ``usual``, or what the section says."""
        declared = self.section.key(key)
        options = () if declared is None else declared.options
        value = self.data.get(key)
        if value is None:
            return usual or str("" if declared is None or declared.default is None else declared.default)
        if value not in options:
            raise self.error(key, f"should be one of {', '.join(repr(option) for option in options)}, not {value!r}")
        return str(value)


def read_format(keys: Keys, usual: FileFormat | None = None) -> FileFormat:
    """Read how a file is written; what is not said is as in ``usual``."""
    keys.allow()
    usual = usual or FileFormat()
    missing = keys.data.get("missing", usual.missing)
    if not isinstance(missing, list | tuple) or not all(isinstance(text, str | int | float) for text in missing):
        raise keys.error("missing", "should be a list of texts")
    header_rows = keys.data.get("header_rows", usual.header_rows)
    if type(header_rows) is not int or not 1 <= header_rows <= MOST_HEADER_ROWS:
        raise keys.error("header_rows", f"should be the number of rows with names at the top, 1 to {MOST_HEADER_ROWS}")
    return FileFormat(
        delimiter=keys.choice("delimiter", usual.delimiter),
        decimal=keys.choice("decimal", usual.decimal),
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
    if not isinstance(given, Mapping):
        raise table.error(name, f"should be the name of a column, or a table of keys, not {given!r}")
    keys = Keys(given, table.file, f"{table.place}.{name}", COLUMN)
    keys.allow()
    keys.one_of("column", "constant")
    order, constant = keys.data.get("order", []), keys.data.get("constant")
    if constant is not None and not isinstance(constant, str | int | float):
        raise keys.error("constant", f"should be a text, a number, or true or false, not {constant!r}")
    if not isinstance(order, list):
        raise keys.error("order", "should be a list of labels")
    return PatientColumn(
        name,
        column=keys.text("column"),
        constant=constant,
        kind=keys.choice("kind") or None,  # type: ignore[arg-type]
        recode=keys.labels("recode"),
        order=tuple(str(label) for label in order),
    )


def _is_number(value: object) -> bool:
    """Say whether a value of TOML, which knows inf and nan, is a number that a week or a value can be."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= _LARGEST
