"""The map of the home programme and of visit windows: sessions, a session log, brace limits, events, schedule."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import get_args

from analysis.cohort.importing.map_keys import Keys, PatientColumn, read_column
from analysis.cohort.modalities import MODALITIES
from analysis.cohort.prescriptions import Prescription
from analysis.cohort.programme import TOLERANCE, UsualSession, check_once
from analysis.cohort.recognition.spellings import fold
from analysis.cohort.schedule import Others, Tie, TwoInWindow, VisitSchedule, VisitWindow
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
    more = (*OTHER_HINGE, "worn_until") if name == "brace_limits" else ()
    keys.allow("date", *(column.name for column in table.columns), *more)
    keys.one_of("week", "date")
    needed = [column for column in table.required_columns if column not in ("patient_id", "week")]
    for column in needed:
        if column not in keys.data:
            raise keys.error(column, "is missing")
    names = [key for key in keys.data if key not in ("date", "worn_until")]
    return HomeTable(
        table.name, tuple(read_column(keys, key) for key in names), keys.text("date"), keys.number("worn_until")
    )


def read_session_log(keys: Keys) -> SessionLog:
    """Read the section of a log with one row a session."""
    keys.allow("patient_id", "week", "start", "end", *_LOG_COLUMNS, "prescribed", "weeks",
               required=("modality", "minutes"))  # fmt: skip
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
    given = keys.data.get("prescribed", {})
    if isinstance(given, list):
        place = f"{keys.place}.prescribed"
        return tuple(_read_prescription(Keys(one, keys.file, f"{place}[{i + 1}]")) for i, one in enumerate(given))
    asked = keys.table("prescribed").numbers()
    unknown = [name for name in asked if name not in MODALITIES]
    if unknown:
        allowed = ", ".join(repr(name) for name in MODALITIES)
        raise keys.error("prescribed", f"should name modalities, {allowed}, not {unknown[0]!r}")
    return asked


def _read_prescription(keys: Keys) -> Prescription:
    keys.allow("protocol", "modality", "sessions", "weeks", required=("protocol", "modality", "sessions", "weeks"))
    protocols = _read_protocols(keys)
    modality, sessions = keys.choice("modality", MODALITIES, MODALITIES[0]), keys.number("sessions")
    weeks = _read_weeks(keys)
    try:
        return Prescription(modality, sessions or 0.0, weeks or (0, 0), protocols)
    except CohortError as error:
        where = f"{keys.file}, [{keys.place}]"
        raise CohortError(error.what, where=where, what_to_do=error.what_to_do) from None


def _read_protocols(keys: Keys) -> tuple[str, ...]:
    protocol = keys.data["protocol"]
    protocols = [protocol] if isinstance(protocol, str) else protocol
    if not isinstance(protocols, list) or not protocols or not all(isinstance(one, str) for one in protocols):
        raise keys.error("protocol", "should be a protocol or a list of protocols")
    return tuple(map(fold, protocols))


def read_usual_sessions(given: object, file: str) -> tuple[UsualSession, ...]:
    """Read what a session of each modality usually is, one table each."""
    if not isinstance(given, list):
        raise Keys({}, file, "").error("programme", "should be a list of tables, each headed [[programme]]")
    programme = tuple(_read_usual_session(Keys(one, file, f"programme[{i + 1}]")) for i, one in enumerate(given))
    check_once(programme, f"{file}, [[programme]]")
    return programme


def _read_usual_session(keys: Keys) -> UsualSession:
    keys.allow("modality", "protocol", "minutes", "tolerance", "most_pauses", "levels", required=("modality",))
    levels = keys.data.get("levels")
    if levels is not None and (not isinstance(levels, list) or len(levels) != 2):
        raise keys.error("levels", "should be the lowest and the highest level, for example [10, 60]")
    lowest, highest = (
        Keys({"levels": level}, keys.file, keys.place).number("levels") or 0.0 for level in levels or (0, 0)
    )
    tolerance = keys.number("tolerance")
    try:
        return UsualSession(
            keys.choice("modality", MODALITIES, MODALITIES[0]),
            minutes=keys.number("minutes"),
            tolerance=TOLERANCE if tolerance is None else tolerance,
            most_pauses=keys.number("most_pauses"),
            levels=None if levels is None else (lowest, highest),
            protocols=_read_protocols(keys) if "protocol" in keys.data else (),
        )
    except CohortError as error:
        raise CohortError(error.what, where=f"{keys.file}, [{keys.place}]", what_to_do=error.what_to_do) from None


def read_schedule(keys: Keys) -> VisitSchedule:
    """Read visit windows and their rules."""
    keys.allow("weeks", "windows", "two_in_window", "tie", "others", "unscheduled")
    keys.one_of("weeks", "windows")
    rules = {
        "two_in_window": keys.choice("two_in_window", get_args(TwoInWindow), "nearest"),
        "tie": keys.choice("tie", get_args(Tie), "earlier"),
        "others": keys.choice("others", get_args(Others), "drop"),
        "unscheduled": keys.choice("unscheduled", get_args(Others), "keep"),
    }
    given = keys.data.get("weeks", keys.data.get("windows"))
    if not isinstance(given, list) or not given:
        raise keys.error("weeks", "or windows should be a list")
    if "weeks" in keys.data:
        if not all(isinstance(week, int | float) and not isinstance(week, bool) for week in given):
            raise keys.error("weeks", "should be a list of numbers")
        windows = VisitSchedule.halfway(given).windows
    else:
        windows = [_read_window(keys, i, one) for i, one in enumerate(given)]
    try:
        return VisitSchedule(windows, **rules)  # type: ignore[arg-type]
    except CohortError as error:
        raise CohortError(error.what, where=f"{keys.file}, [schedule]", what_to_do=error.what_to_do) from None


def _read_window(keys: Keys, place: int, given: object) -> VisitWindow:
    window = type(keys)(given, keys.file, f"schedule.windows[{place + 1}]")
    window.allow("week", "from", "to", required=("week", "from", "to"))
    week, earliest, latest = (window.number(key) or 0.0 for key in ("week", "from", "to"))
    return VisitWindow(week, earliest, latest)
