"""The map file: TOML that says which column of which file is what. Strict: an unknown key is an error."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

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
    SCHEDULE,
    SESSION_LOG,
    TOP,
    VISITS,
    WEEK,
    WIDE_VALUES,
)
from analysis.cohort.importing.map_visits import Layout, ValueColumns, WeekColumn, read_values, read_week
from analysis.cohort.measures import Measure
from analysis.cohort.programme import UsualSession
from analysis.cohort.schedule import VisitSchedule
from analysis.cohort.tables import Privacy
from analysis.errors import CohortError

_HOME_TABLES = ("sessions", "brace_limits", "events")


@dataclass(frozen=True)
class ImportMap:
    """What a map file says.

    ``files`` gives the file or sheet of each table where it is not the one that ``file`` describes; ``visit_patient``
    names the column of the patient in the file of the visits where it is another one than in that of the patients;
    ``as_of`` is the day up to which the data were collected; ``reference`` is the protocol, as it is called after recoding,
    that the others are compared with.
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
    as_of: str | None = None

    @property
    def patient_column(self) -> PatientColumn:
        """The column with the patients' identifiers, in the file of the patients."""
        return next(column for column in self.patients if column.name == "patient_id")

    @property
    def forms(self) -> dict[str, FileFormat]:
        """Where each table that the map describes comes from, by name; values that name their own file are not counted."""
        tables = ["patients", *(["visits"] if any(one.format is None for one in self.value_columns) else [])]
        tables += [one.table for one in self.home] + (["session_log"] if self.session_log is not None else [])
        tables += ["flow"] if "flow" in self.files else []
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
    week = read_week(keys.table("week", WEEK), layout)
    entries = keys.tables("values", LONG_VALUES if layout == "long" else WIDE_VALUES)
    if not entries:
        raise keys.error("values", "should be a list of tables, each headed [[values]]")
    patients = keys.table("patients", PATIENTS)
    patients.allow()
    columns = tuple(read_column(patients, name) for name in patients.data)
    file = read_format(keys.table("file", FILE))
    visits = keys.table("visits", VISITS)
    visits.allow()
    values = tuple(read_values(entry, layout, file, week) for entry in entries)
    sided = next((keys for keys, entry in zip(entries, values, strict=True) if entry.needs_side), None)
    if sided is not None and "involved_side" not in patients.data:
        key = next(key for key in ("limb", "limbs", "measures") if key in sided.data)
        raise sided.error(
            key, "says right or left, and [patients] has no involved_side, the column with the operated side"
        )
    if "sessions" in data and "session_log" in data:
        raise keys.error("session_log", "and sessions are both given; the log is summed into the sessions")
    own = keys.table("measures", MEASURES)
    files = keys.table("files", FILES)
    lacking = next((name for name in files.data if name not in ("patients", "visits", "flow", *data)), None)
    if lacking is not None and lacking in {key.name for key in FILES.keys}:
        raise files.error(lacking, f"is named, and the map has no section [{lacking}], so nothing of it would be read")
    return ImportMap(
        name=path.name,
        layout="wide" if layout == "wide" else "long",
        privacy="limited" if keys.choice("privacy") == "limited" else "safe-harbor",
        file=file,
        patients=columns,
        week=week,
        value_columns=values,
        measures=tuple(_read_measure(name, own) for name in own.data),
        files=_read_files(files, file),
        visit_patient=visits.text("patient_id"),
        home=tuple(read_home_table(keys.table(name, HOME[name]), name) for name in _HOME_TABLES if name in data),
        session_log=read_session_log(keys.table("session_log", SESSION_LOG)) if "session_log" in data else None,
        schedule=read_schedule(keys.table("schedule", SCHEDULE)) if "schedule" in data else None,
        reference=keys.text("reference"),
        programme=read_usual_sessions(keys),
        as_of=_day(keys),
    )


def _day(keys: Keys) -> str | None:
    """Read the as-of date, which TOML may hold as a date or as a text."""
    given = keys.data.get("as_of")
    if isinstance(given, datetime.date) and not isinstance(given, datetime.datetime):
        return given.isoformat()
    return keys.text("as_of")


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
