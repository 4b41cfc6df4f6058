"""The map file: TOML that says which column of which file is what. Strict: an unknown key is an error."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import get_args

from analysis.cohort.catalogue import read_measure
from analysis.cohort.files.settings_files import explained_toml
from analysis.cohort.importing.map_home import HomeTable, SessionLog, read_home_table, read_schedule, read_session_log
from analysis.cohort.importing.map_keys import FileFormat, Keys, PatientColumn, read_column, read_format
from analysis.cohort.importing.map_visits import Layout, ValueColumns, WeekColumn, read_values, read_week
from analysis.cohort.measures import Measure
from analysis.cohort.schedule import VisitSchedule
from analysis.cohort.tables import Privacy
from analysis.errors import CohortError

_TOP = (
    "layout", "privacy", "reference", "file", "files", "patients", "visits", "week", "schedule", "values", "measures", "sessions",
    "session_log", "brace_limits", "events",
)  # fmt: skip
_HOME_TABLES = ("sessions", "brace_limits", "events")
_TABLES_OF_FILES = ("patients", "visits", "sessions", "session_log", "brace_limits", "events")


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

    @property
    def patient_column(self) -> PatientColumn:
        """The column with the patients' identifiers, in the file of the patients."""
        return next(column for column in self.patients if column.name == "patient_id")

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
    keys = Keys(data, path.name, "")
    keys.allow(*_TOP, required=("patients",))
    if "values" not in data:
        raise CohortError(
            "The map names no outcome measure.",
            where=path.name,
            what_to_do='Add at least one: [[values]], measure = "pain", column = "name of the column".',
        )
    layout = keys.choice("layout", get_args(Layout), "long")
    patients = keys.table("patients")
    week = read_week(keys.table("week"), layout)
    entries = data["values"]
    if not isinstance(entries, list) or not entries:
        raise keys.error("values", "should be a list of tables, each headed [[values]]")
    columns = tuple(read_column(patients, name) for name in patients.data)
    for needed in ("patient_id", "protocol"):
        if needed not in patients.data:
            raise CohortError(
                f"The map does not say what {needed} is.",
                where=f"{path.name}, [patients]",
                what_to_do=f'Add a line {needed} = "name of the column"'
                + (', or protocol = { constant = "..." } where all had the same.' if needed == "protocol" else "."),
            )
    own, file = keys.table("measures"), read_format(keys.table("file"))
    visits = keys.table("visits")
    visits.allow("patient_id")
    values = tuple(
        read_values(Keys(entry, path.name, f"values[{i + 1}]"), layout, file, week) for i, entry in enumerate(entries)
    )
    if any(entry.needs_side for entry in values) and "involved_side" not in patients.data:
        raise keys.error("limb", 'is right or left, and [patients] does not say which column has the operated side: add '
                         'involved_side = "name of the column"')  # fmt: skip
    if "sessions" in data and "session_log" in data:
        raise keys.error("session_log", "and sessions are both given; the log is summed into the sessions")
    return ImportMap(
        name=path.name,
        layout="wide" if layout == "wide" else "long",
        privacy="limited" if keys.choice("privacy", get_args(Privacy), "safe-harbor") == "limited" else "safe-harbor",
        file=file,
        patients=columns,
        week=week,
        value_columns=values,
        measures=tuple(read_measure(name, measure, path.name) for name, measure in own.data.items()),
        files=_read_files(keys.table("files"), file),
        visit_patient=visits.text("patient_id"),
        home=tuple(read_home_table(keys.table(name), name) for name in _HOME_TABLES if name in data),
        session_log=read_session_log(keys.table("session_log")) if "session_log" in data else None,
        schedule=read_schedule(keys.table("schedule")) if "schedule" in data else None,
        reference=keys.text("reference"),
    )


def _read_files(keys: Keys, usual: FileFormat) -> dict[str, FileFormat]:
    keys.allow(*_TABLES_OF_FILES)
    formats = {}
    for table, given in keys.data.items():
        one = {"file": given} if isinstance(given, str) else given
        formats[table] = read_format(Keys(one, keys.file, f"files.{table}"), usual)
    return formats
