"""The map file: TOML that says which column of a file is what. Strict: an unknown key is an error."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, get_args

from analysis.cohort.columns import Kind
from analysis.cohort.measures import Measure, read_measure
from analysis.cohort.readers import DELIMITERS, USUAL_MISSING
from analysis.cohort.tables import Privacy
from analysis.errors import CohortError

if TYPE_CHECKING:
    from pathlib import Path

Layout = Literal["long", "wide"]
WeekUnit = Literal["days", "weeks", "months", "years"]
LIMBS = ("involved", "uninvolved", "none")

#: Weeks in a unit of time; a month is a twelfth of 365.25 days.
WEEKS_IN: dict[WeekUnit, float] = {"days": 1 / 7, "weeks": 1.0, "months": 365.25 / 12 / 7, "years": 365.25 / 7}

_TOP = ("layout", "privacy", "file", "patients", "week", "values", "measures")
_PLACE_OF_WEEK = "{week}"


@dataclass(frozen=True)
class FileFormat:
    """How the file is written: delimiter, decimal mark, encoding (None: UTF-8 or by its byte-order mark), missing."""

    delimiter: str = ","
    decimal: str = "."
    encoding: str | None = None
    missing: tuple[str, ...] = USUAL_MISSING


@dataclass(frozen=True)
class PatientColumn:
    """Where a column of the table patients comes from: a column of the file, or one constant for everybody."""

    name: str
    column: str | None = None
    constant: str | float | bool | None = None
    kind: Kind | None = None
    recode: Mapping[str, str] = field(default_factory=dict)
    order: tuple[str, ...] = ()


@dataclass(frozen=True)
class WeekColumn:
    """How time becomes weeks: (value - origin) in ``unit``, rounded to a multiple of ``round_to`` weeks where given."""

    column: str | None = None
    unit: WeekUnit = "weeks"
    origin: float = 0.0
    round_to: float | None = None


@dataclass(frozen=True)
class ValueColumns:
    """Where values come from.

    Long: ``column`` holds the values of ``measure``, or of the measures named in ``measure_column``. Wide: ``times``
    gives the time of each column, in the unit of the map, or ``pattern`` finds it in the names of the columns.
    """

    measure: str | None = None
    limb: str = "none"
    column: str | None = None
    times: Mapping[str, float] = field(default_factory=dict)
    pattern: str | None = None
    measure_column: str | None = None
    limb_column: str | None = None
    measures: Mapping[str, str] = field(default_factory=dict)
    limbs: Mapping[str, str] = field(default_factory=dict)
    multiply: float = 1.0

    def times_in(self, names: list[str]) -> dict[str, float]:
        """Return the column names of a wide file with their time."""
        if self.pattern is None:
            return dict(self.times)
        before, after = self.pattern.split(_PLACE_OF_WEEK)
        expression = re.compile(re.escape(before) + r"(-?\d+(?:\.\d+)?)" + re.escape(after))
        found = ((name, expression.fullmatch(name)) for name in names)
        return {name: float(match.group(1)) for name, match in found if match}


@dataclass(frozen=True)
class ImportMap:
    """What a map file says."""

    name: str
    layout: Layout
    privacy: Privacy
    file: FileFormat
    patients: tuple[PatientColumn, ...]
    week: WeekColumn
    value_columns: tuple[ValueColumns, ...]
    measures: tuple[Measure, ...]

    def columns_named(self, names: list[str]) -> list[str]:
        """Return every column of the file that the map names, in the order of the map."""
        named = [one.column for one in self.patients]
        named.append(self.week.column)
        for entry in self.value_columns:
            named += [entry.column, entry.measure_column, entry.limb_column, *entry.times_in(names)]
        return list(dict.fromkeys(name for name in named if name is not None))


def read_map(path: Path) -> ImportMap:
    """Read a map file.

    Parameters
    ----------
    path : Path
        The TOML file.

    Returns
    -------
    ImportMap
        What it says.

    Raises
    ------
    CohortError
        The file is missing or no TOML, a key is unknown (the message lists the allowed ones) or missing, or a value
        is not of its kind.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8"
        raise CohortError(f"The map file cannot be read: {reason}.", where=str(path), what_to_do="Check it.") from None
    except tomllib.TOMLDecodeError as error:
        raise CohortError(
            f"The map file is no valid TOML: {error}.",
            where=path.name,
            what_to_do="Put texts in quotation marks; see the maps in the documentation.",
        ) from None
    keys = _Keys(data, path.name, "")
    keys.allow(*_TOP, required=("patients", "values"))
    layout = keys.choice("layout", get_args(Layout), "long")
    patients = keys.table("patients")
    week = _read_week(keys.table("week"), layout)
    entries = data["values"]
    if not isinstance(entries, list) or not entries:
        raise keys.error("values", "should be a list of tables, each headed [[values]]")
    columns = tuple(_read_patient_column(patients, name) for name in patients.data)
    for needed in ("patient_id", "protocol"):
        if needed not in patients.data:
            raise CohortError(
                f"The map does not say what {needed} is.",
                where=f"{path.name}, [patients]",
                what_to_do=f'Add a line {needed} = "name of the column"'
                + (', or protocol = { constant = "..." } where all had the same.' if needed == "protocol" else "."),
            )
    own = keys.table("measures")
    return ImportMap(
        name=path.name,
        layout="wide" if layout == "wide" else "long",
        privacy="limited" if keys.choice("privacy", get_args(Privacy), "safe-harbor") == "limited" else "safe-harbor",
        file=_read_file(keys.table("file")),
        patients=columns,
        week=week,
        value_columns=tuple(
            _read_values(_Keys(entry, path.name, f"values[{i + 1}]"), layout) for i, entry in enumerate(entries)
        ),
        measures=tuple(read_measure(name, measure, path.name) for name, measure in own.data.items()),
    )


def _read_file(keys: _Keys) -> FileFormat:
    keys.allow("delimiter", "decimal", "encoding", "missing")
    missing = keys.data.get("missing", USUAL_MISSING)
    if isinstance(missing, str) or not all(isinstance(text, str | int | float) for text in missing):
        raise keys.error("missing", "should be a list of texts")
    return FileFormat(
        delimiter=keys.choice("delimiter", tuple(DELIMITERS), ","),
        decimal=keys.choice("decimal", (".", ","), "."),
        encoding=keys.text("encoding"),
        missing=tuple(dict.fromkeys(["", *(str(text) for text in missing)])),
    )


def _read_patient_column(patients: _Keys, name: str) -> PatientColumn:
    given = patients.data[name]
    if isinstance(given, str):
        return PatientColumn(name, column=given)
    keys = _Keys(given, patients.file, f"patients.{name}")
    keys.allow("column", "constant", "kind", "recode", "order")
    if ("column" in keys.data) == ("constant" in keys.data):
        raise keys.error("column", "or constant must be given, one of them")
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


def _read_week(keys: _Keys, layout: str) -> WeekColumn:
    keys.allow("column", "unit", "origin", "round_to", required=("column",) if layout == "long" else ())
    if layout == "wide" and "column" in keys.data:
        raise keys.error("column", "is for long files; in a wide one the columns under [[values]] have their times")
    round_to = keys.number("round_to")
    if round_to is not None and round_to <= 0:
        raise keys.error("round_to", "should be above 0")
    return WeekColumn(
        column=keys.text("column"),
        unit=keys.choice("unit", get_args(WeekUnit), "weeks"),  # type: ignore[arg-type]
        origin=keys.number("origin") or 0.0,
        round_to=round_to,
    )


def _read_values(keys: _Keys, layout: str) -> ValueColumns:
    if layout == "long":
        keys.allow(
            "measure", "limb", "column", "measure_column", "measures", "limb_column", "limbs", "multiply",
            required=("column",),
        )  # fmt: skip
        if ("measure" in keys.data) == ("measure_column" in keys.data):
            raise keys.error("measure", "or measure_column must be given, one of them")
    else:
        keys.allow("measure", "limb", "columns", "pattern", "multiply", required=("measure",))
        if ("columns" in keys.data) == ("pattern" in keys.data):
            raise keys.error("columns", "or pattern must be given, one of them")
    pattern = keys.text("pattern")
    if pattern is not None and pattern.count(_PLACE_OF_WEEK) != 1:
        raise keys.error("pattern", f"should hold {_PLACE_OF_WEEK} once, for example 'flexion_w{_PLACE_OF_WEEK}'")
    multiply = keys.number("multiply")
    return ValueColumns(
        measure=keys.text("measure"),
        limb=keys.choice("limb", LIMBS, "none"),
        column=keys.text("column"),
        times=_Keys(keys.data.get("columns", {}), keys.file, f"{keys.place}.columns").numbers(),
        pattern=pattern,
        measure_column=keys.text("measure_column"),
        limb_column=keys.text("limb_column"),
        measures=keys.labels("measures"),
        limbs=keys.labels("limbs"),
        multiply=1.0 if multiply is None else multiply,
    )


class _Keys:
    """One table of the map file, read strictly."""

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
        return CohortError(
            f"In the map, {key} {problem}.", where=f"{self.file}, [{self.place}]" if self.place else self.file,
            what_to_do="Correct the map file.",
        )  # fmt: skip

    def allow(self, *allowed: str, required: tuple[str, ...] = ()) -> None:
        place = f"{self.file}, [{self.place}]" if self.place else self.file
        for problem, names in (
            ("does not exist", [key for key in self.data if key not in allowed]),
            ("is missing", [key for key in required if key not in self.data]),
        ):
            if names:
                raise CohortError(
                    f"The key {names[0]!r} {problem}.", where=place, what_to_do=f"Allowed keys: {', '.join(allowed)}."
                )

    def table(self, key: str) -> _Keys:
        return _Keys(self.data.get(key, {}), self.file, key)

    def text(self, key: str) -> str | None:
        value = self.data.get(key)
        if value is not None and not isinstance(value, str):
            raise self.error(key, f"should be a text in quotation marks, not {value!r}")
        return value

    def number(self, key: str) -> float | None:
        value = self.data.get(key)
        if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise self.error(key, f"should be a number, not {value!r}")
        return None if value is None else float(value)

    def numbers(self) -> dict[str, float]:
        return {key: self.number(key) or 0.0 for key in self.data}

    def labels(self, key: str) -> dict[str, str]:
        value = self.data.get(key, {})
        if not isinstance(value, Mapping):
            raise self.error(key, 'should be a table: { old = "new" }')
        return {str(old): str(new) for old, new in value.items()}

    def choice(self, key: str, options: tuple[str, ...], default: str) -> str:
        value = self.data.get(key, default)
        if value != default and value not in options:
            raise self.error(key, f"should be one of {', '.join(repr(option) for option in options)}, not {value!r}")
        return str(value)
