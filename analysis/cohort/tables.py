"""The Cohort, and the only place with the names of its columns, their meaning and their units."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal, get_args

import pandas as pd

from analysis.cohort.catalogue import load_catalogue
from analysis.cohort.columns import Column, Kind, conform
from analysis.cohort.measures import Measures
from analysis.cohort.modalities import MODALITIES
from analysis.cohort.no_labels import no_labels
from analysis.cohort.programme import UsualSession
from analysis.cohort.provenance import Provenance
from analysis.cohort.recognition.site_names import one_name_a_site
from analysis.errors import CohortError, check_choice
from analysis.result import Result

Privacy = Literal["safe-harbor", "limited"]
CountedFrom = Literal["surgery", "programme"]
WEEK_0_IS: dict[CountedFrom, str] = {"surgery": "surgery", "programme": "the start of the programme"}
Level = Literal["safe-harbor", "limited", "synthetic"]
TableName = Literal["patients", "visits", "sessions", "brace_limits", "events", "flow"]

#: Weeks that mean something: one year before the start (a baseline) to a century after it (design choice).
EARLIEST_WEEK, LATEST_WEEK = -52.0, 5_200.0


@dataclass(frozen=True)
class Table:
    """What one table of a cohort holds.

    Parameters
    ----------
    name : str
        Name of the table and of its file.
    row : str
        What one row is.
    columns : tuple of Column
        The known columns in their usual order. Further columns are allowed in patients only.
    key : tuple of str
        Columns that no two rows may share.
    required : bool
        Whether every cohort has the table.
    """

    name: TableName
    row: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    required: bool = False

    def column(self, name: str) -> Column | None:
        """Return the specification of a column; None where the column is not a known one."""
        return next((column for column in self.columns if column.name == name), None)

    @property
    def required_columns(self) -> tuple[str, ...]:
        """Names of the columns that must be there."""
        return tuple(column.name for column in self.columns if column.required)


_DEVICE = "common practice, no source"
_CHOICE = "design choice"


def _text(name: str, meaning: str) -> Column:
    return Column(name, "text", meaning, required=True)


def _label(name: str, meaning: str, *categories: str, required: bool = False) -> Column:
    return Column(name, "category", meaning, categories=categories, required=required)


def _number(name: str, meaning: str, unit: str, lowest: float, highest: float, source: str) -> Column:
    return Column(name, "number", meaning, unit, lowest=lowest, highest=highest, source=source)


def _week(meaning: str, lowest: float = 0.0) -> Column:
    return Column("week", "number", meaning, "weeks", True, lowest=lowest, highest=LATEST_WEEK, source=_CHOICE)


_PATIENT_ID = _text("patient_id", "opaque identifier that says nothing about the person")

_PATIENTS = (
    _PATIENT_ID,
    _label("protocol", "programme the patient was given", required=True),
    _label("site", "clinic that looked after the patient"),
    _label("procedure", "operation, or reason for the programme"),
    _label("involved_side", "side of the knee concerned", "left", "right", "both"),
    _label("sex", "sex as recorded"),
    _label("quarter", "quarter of surgery or start, as 2026-Q1; not at the safe-harbor level"),
    _number(
        "due_week",
        "last scheduled week whose visit was due by the as-of date, -1 for none; not at the safe-harbor level",
        "weeks",
        -1,
        LATEST_WEEK,
        _CHOICE,
    ),
    _label("language", "language in which the patient answers"),
    _label("distance_band", "distance from home to the clinic, in bands such as under 10 km"),
    _number("days_to_surgery", "days from referral to surgery", "days", 0, 3650, _CHOICE),
    _number("days_to_first_session", "days from surgery to the first home session", "days", 0, 3650, _CHOICE),
    _number("age_years", "age at the start; 90 stands for 90 and over", "years", 0, 90, "45 CFR 164.514(b)(2)(i)(C)"),
    _number("body_mass_kg", "body mass at the start", "kg", 20, 350, _CHOICE),
    _number("height_cm", "height at the start", "cm", 90, 250, _CHOICE),
    _number("quadriceps_torque_pre_injury", "torque of the involved limb before the injury", "N·m/kg", 0, 6, _CHOICE),
)
_VISITS = (
    _PATIENT_ID,
    _week("time since surgery or start; at or before 0 is the baseline", EARLIEST_WEEK),
    _label("measure", "name of the outcome measure", required=True),
    _label("limb", "limb that was measured", "involved", "uninvolved", "none", required=True),
    Column("value", "number", "measured value in the unit of the measure", required=True),
    _label("bound", "the value is a limit, and the true one is below or above it; missing: a value", "below", "above"),
)
_SESSIONS = (
    _PATIENT_ID,
    _week("week of the home programme; days 0 to 6 since surgery or start are week 1"),
    _label("modality", "kind of home session", *MODALITIES, required=True),
    _number("sessions_prescribed", "sessions asked for that week", "sessions", 0, 100, _CHOICE),
    _number("sessions_done", "sessions done that week", "sessions", 0, 100, _CHOICE),
    _number("minutes_done", "minutes done that week", "min", 0, 10_080, "minutes in a week"),
    _number("level_knee", "stimulation above the knee, of the device's maximum", "%", 0, 100, _DEVICE),
    _number("level_thigh", "stimulation at the thigh, of the device's maximum", "%", 0, 100, _DEVICE),
    _number("pauses", "pauses made in the sessions of that week", "pauses", 0, 10_000, _CHOICE),
)
_BRACE_LIMITS = (
    _PATIENT_ID,
    _week("time since surgery or start when the limits were set; a row without limits: the brace came off"),
    _number("flexion_limit_deg", "flexion that the hinges allow", "deg", -15, 135, _DEVICE),
    _number(
        "extension_limit_deg", "where the hinges stop extension; below 0 is beyond straight", "deg", -15, 135, _DEVICE
    ),
    Column("locked", "boolean", "whether the hinges were locked"),
    Column("both_hinges_agree", "boolean", "whether both hinges had the same limits"),
)
_EVENTS = (
    _PATIENT_ID,
    _week("time since surgery or start when it happened; 1 is day 7"),
    _label("event", "what happened", required=True),
    Column("serious", "boolean", "whether it was serious"),
    Column("related", "boolean", "whether it was held to be related to the programme"),
)
#: Steps of the flow before the protocols, those of a protocol, and those that have reasons.
EARLY_STEPS, PROTOCOL_STEPS = ("assessed", "excluded"), ("allocated", "received", "not received")
REASON_STEPS = ("excluded", "not received")
_FLOW = (
    _label("step", "what was done with the patients counted", *EARLY_STEPS, *PROTOCOL_STEPS, required=True),
    _label("protocol", "programme that they were allocated to; missing before the allocation"),
    _label("reason", "why they were excluded, or did not receive the protocol"),
    Column("patients", "number", "how many", "patients", True, lowest=0, highest=10_000_000, source=_CHOICE),
)

TABLES: dict[TableName, Table] = {
    "patients": Table("patients", "a patient", _PATIENTS, key=("patient_id",), required=True),
    "visits": Table("visits", "one measured value", _VISITS, ("patient_id", "week", "measure", "limb"), required=True),
    "sessions": Table(
        "sessions", "a patient's week of one home modality", _SESSIONS, ("patient_id", "week", "modality")
    ),
    "brace_limits": Table("brace_limits", "a change of the brace setting", _BRACE_LIMITS, ("patient_id", "week")),
    "events": Table("events", "something that happened", _EVENTS, key=()),
    "flow": Table("flow", "a count of patients, before and at the start", _FLOW, key=()),
}


@dataclass(frozen=True, eq=False, repr=False)
class Cohort(Result):
    """A de-identified cohort: frozen, its frames in the columns and types of :data:`TABLES`.

    The frames given are copied and brought to their types (text, category, number, boolean); the caller's own frames
    stay as they were. Values are not judged here: that is what :func:`analysis.cohort.check_cohort` does.

    Parameters
    ----------
    patients : pandas.DataFrame
        One row a patient. Required columns: patient_id, protocol. Known: site, procedure, involved_side, sex, language,
        distance_band, days_to_surgery and days_to_first_session (days), age_years (years; 90 stands for 90 and over),
        body_mass_kg, height_cm, quadriceps_torque_pre_injury (N·m/kg); further columns
        are baseline covariates.
    visits : pandas.DataFrame
        One row a measured value: patient_id, week (weeks since surgery or start), measure, limb (involved, uninvolved,
        none), value (unit of the measure).
    sessions : pandas.DataFrame, optional
        One row a patient's week of one home modality; None where the home programme was not recorded.
    brace_limits : pandas.DataFrame, optional
        One row a change of the brace setting; None where it was not recorded.
    events : pandas.DataFrame, optional
        One row an event; None where events were not recorded, an empty frame where none happened.
    flow : pandas.DataFrame, optional
        Counts of patients by whoever did the study: step (assessed, excluded, allocated, received, not received), protocol
        (missing for the first two), reason, patients; None where nobody gave them.
    measures : Measures
        The measures, by name; the catalogue by default.
    provenance : Provenance
        Where the cohort came from.
    privacy : {"safe-harbor", "limited"}
        Level of de-identification.
    reference : str, optional
        The protocol that the others are compared with, for example that of the control group. Where none is named,
        comparisons take the first one of the data, and no missing visit is filled as if under a reference.
    counted_from : {"surgery", "programme"}, optional
        What week 0 is: surgery, so that a baseline is from before it, or the start of a programme; None where nobody said.
    programme : tuple of UsualSession
        How long a session of the home programme takes, at which levels, by modality and protocol; common practice where it
        says nothing.
    as_of : str, optional
        Day up to which the data were collected, as 2026-03-31; at the safe-harbor level its year alone, 2026. None where
        nobody said.

    Raises
    ------
    CohortError
        A required column is missing, a column cannot be brought to its type, the reference is not a protocol, or the as-of
        date is none.

    Examples
    --------
    >>> patients = pd.DataFrame({"patient_id": ["a", "b"], "protocol": ["usual", "early"]})
    >>> visits = pd.DataFrame({"patient_id": ["a", "b"], "week": 0, "measure": "pain", "limb": "none", "value": [4, 6]})
    >>> cohort = Cohort(patients, visits)
    >>> cohort.protocols
    ['usual', 'early']
    >>> cohort
    Cohort: 2 patients, 2 measured values of 1 measure, 2 protocols (usual, early), safe-harbor
    <BLANKLINE>
    visits by measure
    measure    limb   unit values patients first_week last_week
       pain    none points      2        2          0         0
    <BLANKLINE>
    Tables: patients 2 rows, visits 2 rows.
    Reference protocol: none named; comparisons take usual, the first of the data.
    """

    patients: pd.DataFrame
    visits: pd.DataFrame
    sessions: pd.DataFrame | None = None
    brace_limits: pd.DataFrame | None = None
    events: pd.DataFrame | None = None
    flow: pd.DataFrame | None = None
    measures: Measures = field(default_factory=load_catalogue)
    provenance: Provenance = field(default_factory=Provenance)
    privacy: Privacy = "safe-harbor"
    reference: str | None = None
    counted_from: CountedFrom | None = None
    programme: tuple[UsualSession, ...] = ()
    as_of: str | None = None

    def __post_init__(self) -> None:
        where = "Cohort(privacy=...)"
        check_choice(self.privacy, get_args(Privacy), "privacy level", error=CohortError, where=where)
        if self.counted_from is not None:
            where = "Cohort(counted_from=...)"
            check_choice(
                self.counted_from, get_args(CountedFrom), "origin of the weeks", error=CohortError, where=where
            )
        _check_as_of(self.as_of, self.level)
        for name, table in TABLES.items():
            frame = getattr(self, name)
            if frame is not None:
                object.__setattr__(self, name, conform_table(frame, table))
        if self.reference is not None and self.reference not in self.protocols:
            raise CohortError(
                f"The reference {self.reference!r} is not one of the protocols.",
                where=f"protocols of the patients: {', '.join(self.protocols) or 'none'}",
                what_to_do="Name one of these as the reference, or none.",
            )

    @property
    def level(self) -> Level:
        """What may be shown of single patients: synthetic where they are invented, otherwise the level of privacy.

        Examples
        --------
        >>> patients = pd.DataFrame({"patient_id": ["a"], "protocol": ["usual"]})
        >>> visits = pd.DataFrame({"patient_id": ["a"], "week": 0, "measure": "pain", "limb": "none", "value": [4]})
        >>> Cohort(patients, visits, privacy="limited").level
        'limited'
        >>> Cohort(patients, visits, provenance=Provenance(scenario="meniscus surgery", seed=1)).level
        'synthetic'
        """
        return self.privacy if self.provenance.scenario is None else "synthetic"

    @property
    def protocols(self) -> list[str]:
        """Protocols in the order of the data; which one is the reference says :attr:`reference`."""
        return [str(name) for name in self.patients["protocol"].cat.categories]

    def tables(self) -> Iterator[tuple[TableName, pd.DataFrame]]:
        """Give name and frame of each table that the cohort has, in the order of :data:`TABLES`."""
        for name in TABLES:
            frame = getattr(self, name)
            if frame is not None:
                yield name, frame

    def _headline(self) -> str:
        measures = _count(self.visits["measure"].nunique(), "measure")
        protocols = f"{_count(len(self.protocols), 'protocol')} ({', '.join(self.protocols)})"
        return (
            f"Cohort: {_count(len(self.patients), 'patient')}, {_count(len(self.visits), 'measured value')} of "
            f"{measures}, {protocols}, {self.privacy}"
        )

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        groups = self.visits.groupby(["measure", "limb"], observed=True, sort=False)
        found = groups.agg(
            values=("value", "size"),
            patients=("patient_id", "nunique"),
            first_week=("week", "min"),
            last_week=("week", "max"),
        ).reset_index()
        units = [self.measures[name].unit if name in self.measures else "" for name in found["measure"]]
        found.insert(2, "unit", units)
        return {"visits by measure": found}

    def _shown_notes(self) -> list[str]:
        tables = ", ".join(f"{name} {_count(len(frame), 'row')}" for name, frame in self.tables())
        named = self.reference or f"none named; comparisons take {', '.join(self.protocols[:1])}, the first of the data"
        weeks = [] if self.counted_from is None else [f"Week 0: {WEEK_0_IS[self.counted_from]}."]
        reference = f"Reference protocol: {named if self.protocols else 'none, nobody has one'}."
        return [f"Tables: {tables}.", reference, *weeks]


def _check_as_of(as_of: str | None, level: Level) -> None:
    form = r"\d{4}" if level == "safe-harbor" else r"\d{4}(?:-\d{2}-\d{2})?"
    good = as_of is None or bool(re.fullmatch(form, as_of))
    if as_of is not None and good and len(as_of) > len("2026"):
        try:
            datetime.date.fromisoformat(as_of)
        except ValueError:
            good = False
    if not good:
        raise CohortError(
            f"{as_of!r} is not an as-of date at the {level} level.",
            where="Cohort(as_of=...)",
            what_to_do="Write the day as 2026-03-31; at the safe-harbor level its year alone, 2026.",
        )


def conform_table(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Bring a frame to the types of a table: known columns as specified, further ones as they look.

    Rows and columns stay in their order, the index becomes 0, 1, 2, ...; the frame given is not changed. Labels of patients
    that stand for a missing one, such as nan, are missing, and spellings of one site become one.

    Raises
    ------
    CohortError
        A required column is missing, a column name is not text or comes twice, or a column cannot be converted.
    """
    names = [str(name) for name in frame.columns]
    missing = [name for name in table.required_columns if name not in names]
    if missing:
        raise CohortError(
            f"The table {table.name} lacks the column{'s' if len(missing) > 1 else ''} {', '.join(missing)}.",
            where=f"table {table.name}, columns there: {', '.join(names) or 'none'}",
            what_to_do="Name the columns as in TABLES, or map them with a map file and kneecurve import.",
        )
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise CohortError(
            f"The table {table.name} has the column {twice[0]!r} twice.",
            where=f"table {table.name}",
            what_to_do="Keep one of them.",
        )
    converted = {}
    for name, (_, values) in zip(names, frame.reset_index(drop=True).items(), strict=True):
        known = table.column(name)
        converted[name] = conform(values, known or Column(name, kind_of(values), "further column"), table.name)
        if table.name == "patients" and known is not None and known.kind == "category":
            labels = list(converted[name].cat.categories)
            real = [label for label in labels if not no_labels([label])]
            converted[name] = converted[name].cat.set_categories(real) if real != labels else converted[name]
        if table.name == "patients" and name == "site":
            converted[name] = one_name_a_site(converted[name]).names
    return pd.DataFrame(converted, copy=False)


def kind_of(values: pd.Series) -> Kind:
    """Tell the kind of a column from the type of its values."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        return "category"
    if pd.api.types.is_bool_dtype(values.dtype):
        return "boolean"
    if pd.api.types.is_numeric_dtype(values.dtype):
        return "number"
    return "date" if pd.api.types.is_datetime64_any_dtype(values.dtype) else "text"


def _count(n: int, noun: str) -> str:
    return f"{n:,} {noun}{'' if n == 1 else 's'}"
