"""The map of the home programme and of visit windows: sessions, a session log, brace limits, events, schedule."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from analysis.cohort.importing.map_keys import Keys, PatientColumn, read_column
from analysis.cohort.importing.map_reference import PRESCRIBED, PROGRAMME, WINDOW
from analysis.cohort.modalities import MODALITIES, modality_of
from analysis.cohort.prescriptions import Prescription
from analysis.cohort.programme import UsualSession, check_once
from analysis.cohort.recognition.spellings import fold
from analysis.cohort.schedule import VisitSchedule, VisitWindow
from analysis.cohort.tables import TABLES, TableName
from analysis.errors import CohortError

#: The limits of the other hinge, where both were recorded: they say whether both agree.
OTHER_HINGE = {
    "flexion_limit_other_hinge_deg": "flexion_limit_deg",
    "extension_limit_other_hinge_deg": "extension_limit_deg",
}
_LOG_COLUMNS = ("modality", "minutes", "level_knee", "level_thigh", "pauses")


@dataclass(frozen=True)
class HomeTable:
    """Where the columns of sessions, brace_limits or events come from; ``date`` in the place of the week.

    ``worn_until`` is the week in which every brace came off.
    """

    table: TableName
    columns: tuple[PatientColumn, ...]
    date: str | None = None
    worn_until: float | None = None

    @property
    def patient(self) -> PatientColumn | None:
        """The column of the patient; None where it is as in the file of the patients."""
        return next((column for column in self.columns if column.name == "patient_id"), None)


@dataclass(frozen=True)
class SessionLog:
    """Where a log with one row a session has what, and what was prescribed.

    ``prescribed`` holds sessions a week by modality, where every patient was asked the same in ``weeks``; or a prescription
    for each protocol, modality and span of weeks.
    """

    columns: tuple[PatientColumn, ...]
    start: str | None = None
    end: str | None = None
    prescribed: Mapping[str, float] | tuple[Prescription, ...] = field(default_factory=dict)
    weeks: tuple[int, int] | None = None

    @property
    def patient(self) -> PatientColumn | None:
        """The column of the patient; None where it is as in the file of the patients."""
        return next((column for column in self.columns if column.name == "patient_id"), None)


def read_home_table(keys: Keys, name: str) -> HomeTable:
    """Read the section of one table of the home programme."""
    table = TABLES[name]  # type: ignore[index]
    keys.allow()
    keys.one_of("week", "date")
    names = [key for key in keys.data if key not in ("date", "worn_until")]
    return HomeTable(
        table.name, tuple(read_column(keys, key) for key in names), keys.text("date"), keys.number("worn_until")
    )


def read_session_log(keys: Keys) -> SessionLog:
    """Read the section of a log with one row a session."""
    keys.allow()
    keys.one_of("start", "week")
    if "end" in keys.data and "start" not in keys.data:
        raise keys.error("end", "needs start")
    weeks, prescribed = _read_weeks(keys), _read_prescribed(keys)
    if isinstance(prescribed, tuple) and weeks is not None:
        raise keys.error("weeks", "stands in each prescription where protocols are named")
    names = [key for key in ("patient_id", "week", *_LOG_COLUMNS) if key in keys.data]
    return SessionLog(
        columns=tuple(read_column(keys, key) for key in names),
        start=keys.text("start"),
        end=keys.text("end"),
        prescribed=prescribed,
        weeks=weeks,
    )


def _read_weeks(keys: Keys) -> tuple[int, int] | None:
    weeks = keys.data.get("weeks")
    if weeks is None:
        return None
    if not isinstance(weeks, list) or len(weeks) != 2 or not all(type(week) is int for week in weeks):
        raise keys.error("weeks", "should be the first and the last week, for example [1, 12]")
    return weeks[0], weeks[1]


def _read_prescribed(keys: Keys) -> Mapping[str, float] | tuple[Prescription, ...]:
    if isinstance(keys.data.get("prescribed"), list):
        return tuple(map(_read_prescription, keys.tables("prescribed", PRESCRIBED)))
    asked = {modality_of(name): number for name, number in keys.numbers("prescribed").items()}
    unknown = [name for name in asked if name not in MODALITIES]
    if unknown:
        allowed = ", ".join(repr(name) for name in MODALITIES)
        raise keys.error("prescribed", f"should name modalities, {allowed}, not {unknown[0]!r}")
    return asked


def _read_prescription(keys: Keys) -> Prescription:
    keys.allow()
    protocols = _read_protocols(keys)
    modality, sessions = _read_modality(keys), keys.number("sessions")
    weeks = _read_weeks(keys)
    try:
        return Prescription(modality, sessions or 0.0, weeks or (0, 0), protocols)
    except CohortError as error:
        raise keys.explained(error, "sessions", "weeks") from None


def _read_modality(keys: Keys) -> str:
    """Read the kind of session, in any spelling that files may have."""
    given = keys.data["modality"]
    known = modality_of(given) if isinstance(given, str) else given
    return Keys(keys.data | {"modality": known}, keys.file, keys.place, keys.section).choice("modality")


def _read_protocols(keys: Keys) -> tuple[str, ...]:
    protocol = keys.data["protocol"]
    protocols = [protocol] if isinstance(protocol, str) else protocol
    if not isinstance(protocols, list) or not protocols or not all(isinstance(one, str) for one in protocols):
        raise keys.error("protocol", "should be a protocol or a list of protocols")
    return tuple(map(fold, protocols))


def read_usual_sessions(top: Keys) -> tuple[UsualSession, ...]:
    """Read what a session of each modality usually is, a block each."""
    programme = tuple(map(_read_usual_session, top.tables("programme", PROGRAMME)))
    try:
        check_once(programme, "")
    except CohortError as error:
        raise top.explained(error, "programme") from None
    return programme


def _read_usual_session(keys: Keys) -> UsualSession:
    keys.allow()
    levels = keys.data.get("levels")
    if levels is not None and not (isinstance(levels, list) and len(levels) == 2 and all(map(_is_number, levels))):
        raise keys.error("levels", "should be the lowest and the highest level, for example [10, 60]")
    modality, minutes, most_pauses = _read_modality(keys), keys.number("minutes"), keys.number("most_pauses")
    protocols = _read_protocols(keys) if "protocol" in keys.data else ()
    tolerance, pair = keys.number("tolerance") or 0.0, None if levels is None else (float(levels[0]), float(levels[1]))
    try:
        return UsualSession(modality, minutes, tolerance, most_pauses, pair, protocols)
    except CohortError as error:
        raise keys.explained(error, "minutes", "tolerance", "most_pauses", "levels") from None


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def read_schedule(keys: Keys) -> VisitSchedule:
    """Read visit windows and their rules."""
    keys.allow()
    keys.one_of("weeks", "windows")
    rules = {rule: keys.choice(rule) for rule in ("two_in_window", "tie", "others", "unscheduled")}
    given = keys.data.get("weeks", keys.data.get("windows"))
    if not isinstance(given, list) or not given:
        raise keys.error("weeks" if "weeks" in keys.data else "windows", "should be a list")
    if "weeks" in keys.data:
        if not all(map(_is_number, given)):
            raise keys.error("weeks", "should be a list of numbers")
        windows = VisitSchedule.halfway(given).windows
    else:
        windows = [
            _read_window(Keys(one, keys.file, f"schedule.windows[{i + 1}]", WINDOW)) for i, one in enumerate(given)
        ]
    try:
        return VisitSchedule(windows, **rules)  # type: ignore[arg-type]
    except CohortError as error:
        raise keys.explained(error, "weeks" if "weeks" in keys.data else "windows") from None


def _read_window(keys: Keys) -> VisitWindow:
    keys.allow()
    week, earliest, latest = (keys.number(key) or 0.0 for key in ("week", "from", "to"))
    return VisitWindow(week, earliest, latest)
