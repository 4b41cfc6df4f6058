"""The map file: TOML that says which column of which file is what. Strict: an unknown key is an error."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from analysis.cohort.catalogue import read_measure
from analysis.cohort.files.settings_files import explained_toml
from analysis.cohort.importing.map_home import (
    HomeTable,
    SessionLog,
    read_home_table,
    read_schedule,
    read_session_log,
    read_usual_sessions,
)
from analysis.cohort.importing.map_keys import FileFormat, Keys, PatientColumn, read_column, read_format
from analysis.cohort.importing.map_reference import (
    FILE,
    FILES,
    HOME,
    LONG_VALUES,
    MEASURE,
    MEASURES,
    PATIENTS,
    PLACE_OF_WEEK,
    SCHEDULE,
    SESSION_LOG,
    TOP,
    VISITS,
    WEEK,
    WIDE_VALUES,
)
from analysis.cohort.measures import Measure
from analysis.cohort.programme import UsualSession
from analysis.cohort.schedule import VisitSchedule
from analysis.cohort.tables import Privacy
from analysis.errors import CohortError

Layout = Literal["long", "wide"]
WeekUnit = Literal["days", "weeks", "months", "years"]

#: Weeks in a unit of time; a month is a twelfth of 365.25 days.
WEEKS_IN: dict[WeekUnit, float] = {"days": 1 / 7, "weeks": 1.0, "months": 365.25 / 12 / 7, "years": 365.25 / 7}

_HOME_TABLES = ("sessions", "brace_limits", "events")


@dataclass(frozen=True)
class WeekColumn:
    """How time becomes weeks.

    Either (value - origin) in ``unit``, or the days from the date in the column ``start`` to the date in the column
    ``date`` (in a wide file, in the columns ``dates`` by time) over 7; rounded to a multiple of ``round_to`` weeks
    where given.
    """

    column: str | None = None
    unit: WeekUnit = "weeks"
    origin: float = 0.0
    round_to: float | None = None
    date: str | None = None
    start: str | None = None
    date_format: str | None = None
    dates: Mapping[float, str] = field(default_factory=dict)


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
    format: FileFormat | None = None

    def times_in(self, names: list[str]) -> dict[str, float]:
        """Return the column names of a wide file with their time."""
        if self.pattern is None:
            return dict(self.times)
        before, after = self.pattern.split(PLACE_OF_WEEK)
        expression = re.compile(re.escape(before) + r"(-?\d+(?:\.\d+)?)" + re.escape(after))
        found = ((name, expression.fullmatch(name)) for name in names)
        return {name: float(match.group(1)) for name, match in found if match}


@dataclass(frozen=True)
class ImportMap:
    """What a map file says.

    ``files`` gives the file or sheet of each table where it is not the one that ``file`` describes; ``visit_patient``
    names the column of the patient in the file of the visits where it is another one than in that of the patients;
    ``reference`` is the protocol, as it is called after recoding, that the others are compared with.
    """

    name: str
    layout: Layout
    privacy: Privacy
    file: FileFormat
    patients: tuple[PatientColumn, ...]
    week: WeekColumn
    value_columns: tuple[ValueColumns, ...]
    measures: tuple[Measure, ...]
    files: Mapping[str, FileFormat] = field(default_factory=dict)
    visit_patient: str | None = None
    home: tuple[HomeTable, ...] = ()
    session_log: SessionLog | None = None
    schedule: VisitSchedule | None = None
    reference: str | None = None
    programme: tuple[UsualSession, ...] = ()

    @property
    def patient_column(self) -> PatientColumn:
        """The column with the patients' identifiers, in the file of the patients."""
        return next(column for column in self.patients if column.name == "patient_id")

    @property
    def forms(self) -> dict[str, FileFormat]:
        """Where each table that the map describes comes from, by name; values that name their own file are not counted."""
        tables = ["patients", *(["visits"] if any(one.format is None for one in self.value_columns) else [])]
        tables += [one.table for one in self.home] + (["session_log"] if self.session_log is not None else [])
        return {table: self.format_of(table) for table in tables}

    def format_of(self, table: str) -> FileFormat:
        """Return where a table comes from and how its file is written."""
        return self.files.get(table, self.file)


def read_map(path: Path) -> ImportMap:
    """Read a map file.

    Raises
    ------
    CohortError
        The file is missing or no TOML, a key is unknown (the message lists the allowed ones) or missing, or a value
        is not of its kind.
    """
    data = explained_toml(path, "map file", "see the maps in the documentation")
    keys = Keys(data, path.name, "", TOP)
    if "values" not in keys.data:
        raise CohortError(
            "The map names no outcome measure.",
            where=path.name,
            what_to_do='Add at least one: [[values]], measure = "pain", column = "name of the column".',
        )
    keys.allow()
    layout = keys.choice("layout")
    week = _read_week(keys.table("week", WEEK), layout)
    entries = keys.tables("values", LONG_VALUES if layout == "long" else WIDE_VALUES)
    if not entries:
        raise keys.error("values", "should be a list of tables, each headed [[values]]")
    patients = keys.table("patients", PATIENTS)
    patients.allow()
    columns = tuple(read_column(patients, name) for name in patients.data)
    file = read_format(keys.table("file", FILE))
    visits = keys.table("visits", VISITS)
    visits.allow()
    if "sessions" in data and "session_log" in data:
        raise keys.error("session_log", "and sessions are both given; the log is summed into the sessions")
    own = keys.table("measures", MEASURES)
    return ImportMap(
        name=path.name,
        layout="wide" if layout == "wide" else "long",
        privacy="limited" if keys.choice("privacy") == "limited" else "safe-harbor",
        file=file,
        patients=columns,
        week=week,
        value_columns=tuple(_read_values(entry, layout, file) for entry in entries),
        measures=tuple(_read_measure(name, own) for name in own.data),
        files=_read_files(keys.table("files", FILES), file),
        visit_patient=visits.text("patient_id"),
        home=tuple(read_home_table(keys.table(name, HOME[name]), name) for name in _HOME_TABLES if name in data),
        session_log=read_session_log(keys.table("session_log", SESSION_LOG)) if "session_log" in data else None,
        schedule=read_schedule(keys.table("schedule", SCHEDULE)) if "schedule" in data else None,
        reference=keys.text("reference"),
        programme=read_usual_sessions(keys),
    )


def _read_files(keys: Keys, usual: FileFormat) -> dict[str, FileFormat]:
    keys.allow()
    formats = {}
    for table, given in keys.data.items():
        one = {"file": given} if isinstance(given, str) else given
        if not isinstance(one, Mapping):
            raise keys.error(table, f"should be the name of a file, or a table of keys, not {given!r}")
        formats[table] = read_format(Keys(one, keys.file, f"files.{table}", FILE), usual)
    return formats


def _read_measure(name: str, own: Keys) -> Measure:
    keys = Keys(own.data[name], own.file, f"measures.{name}", MEASURE)
    keys.allow()
    try:
        return read_measure(name, keys.data, own.file)
    except CohortError as error:
        said = f"{error.what} {error.where} {error.what_to_do}"
        raise keys.explained(
            error, *(key.name for key in MEASURE.keys if re.search(rf"\b{key.name.rstrip('s')}", said))
        ) from None


def _read_week(keys: Keys, layout: str) -> WeekColumn:
    keys.allow()
    if layout == "wide":
        for key in ("column", "date"):
            if key in keys.data:
                raise keys.error(key, "is for long files; in a wide one the columns under [[values]] have their times")
    elif "dates" in keys.data:
        raise keys.error("dates", 'is for wide files; in a long one give date = "name of the column"')
    else:
        keys.one_of("column", "date")
    dated = "date" in keys.data or "dates" in keys.data
    if dated and "start" not in keys.data:
        raise keys.error("start", "is missing: the column with the date of surgery or start")
    if dated and ("unit" in keys.data or "origin" in keys.data):
        raise keys.error("unit", "and origin are for numbers, not for dates")
    round_to = keys.number("round_to")
    if round_to is not None and round_to <= 0:
        raise keys.error("round_to", "should be above 0")
    dates = keys.labels("dates")
    try:
        by_time = {float(time): column for time, column in dates.items()}
    except ValueError:
        raise keys.error("dates", 'should name times and columns: { "0" = "date_pre", "6" = "date_6w" }') from None
    return WeekColumn(
        column=keys.text("column"),
        unit=keys.choice("unit"),  # type: ignore[arg-type]
        origin=keys.number("origin") or 0.0,
        round_to=round_to,
        date=keys.text("date"),
        start=keys.text("start"),
        date_format=keys.text("date_format"),
        dates=by_time,
    )


def _read_values(keys: Keys, layout: str, usual: FileFormat) -> ValueColumns:
    keys.allow()
    keys.one_of(*(("measure", "measure_column") if layout == "long" else ("columns", "pattern")))
    pattern = keys.text("pattern")
    if pattern is not None and pattern.count(PLACE_OF_WEEK) != 1:
        raise keys.error("pattern", f"should hold {PLACE_OF_WEEK} once, for example 'flexion_w{PLACE_OF_WEEK}'")
    place = keys.part("file", "sheet")
    return ValueColumns(
        measure=keys.text("measure"),
        limb=keys.choice("limb"),
        column=keys.text("column"),
        times=keys.numbers("columns"),
        pattern=pattern,
        measure_column=keys.text("measure_column"),
        limb_column=keys.text("limb_column"),
        measures=keys.labels("measures"),
        limbs=keys.labels("limbs"),
        multiply=keys.number("multiply") or 0.0,
        format=read_format(Keys(place.data, keys.file, keys.place, FILE), usual) if place.data else None,
    )
