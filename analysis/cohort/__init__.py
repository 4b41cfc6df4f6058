"""LOAD and CHECK: cohorts from files, their tables, measures, and every problem found in them.

- ``tables``: The Cohort, and the only place with the names of its columns, their meaning and their units.
- ``columns``: Kinds of columns, and how a column is brought to its kind without losing or changing a value.
- ``text_columns``: Columns of texts and labels of many rows: looked up among others, told apart, joined.
- ``measures``: Outcome measures: unit, direction, plausible range, and thresholds of change with their sources.
- ``catalogue``: Measures from plain data, read strictly: the catalogue of the kit, those of a map or cohort.
- ``derived``: Measures computed from stored ones; they are never stored.
- ``visit_frame``: One measure of a cohort as one row a visit, with baseline and change: what models take.
- ``session_log``: A home-session log, one row a session, checked and summed into weeks of one modality.
- ``prescriptions``: What was prescribed: which home sessions, how often, to which protocols, in which weeks.
- ``modalities``: The kinds of home session.
- ``programme``: The home programme in numbers: how long a session takes, at which levels, and what is let pass.
- ``reference``: Which protocol the others are compared with: one function decides for every comparison.
- ``schedule``: Schedule: actual weeks become scheduled weeks by visit windows, and every value's way is on record.
- ``no_labels``: Labels that programs write where there is none, such as nan: no protocol or site has such a name.
- ``findings``: The result of a check: every problem found, in one table.
- ``provenance``: Where a cohort came from: source files with their hashes, or a scenario with its seed.
"""

from analysis.cohort.catalogue import load_catalogue
from analysis.cohort.checks.checks import FailedCheckError, check_cohort
from analysis.cohort.deidentification.ask import ask_columns
from analysis.cohort.deidentification.deidentify import deidentify, review_columns
from analysis.cohort.deidentification.disclosure import DisclosureRisk, disclosure_risk
from analysis.cohort.deidentification.report import DeidentificationReport
from analysis.cohort.deidentification.review import Review
from analysis.cohort.derived import torque_per_kg
from analysis.cohort.files.data_package import check_folder, cohort_parts, load_cohort, write_cohort
from analysis.cohort.findings import CheckReport
from analysis.cohort.importing.import_cohort import Imported, import_cohort
from analysis.cohort.importing.map_reference import map_reference
from analysis.cohort.measures import Measure, Measures, Threshold
from analysis.cohort.prescriptions import Prescription
from analysis.cohort.programme import UsualSession
from analysis.cohort.provenance import Provenance, Source
from analysis.cohort.schedule import ScheduleReport, VisitSchedule, VisitWindow, to_scheduled_weeks
from analysis.cohort.session_log import sum_sessions
from analysis.cohort.suggesting.suggest_map import suggest_map
from analysis.cohort.tables import TABLES, Cohort
from analysis.cohort.visit_frame import visit_frame

__all__ = [
    "TABLES",
    "CheckReport",
    "Cohort",
    "DeidentificationReport",
    "DisclosureRisk",
    "FailedCheckError",
    "Imported",
    "Measure",
    "Measures",
    "Prescription",
    "Provenance",
    "Review",
    "ScheduleReport",
    "Source",
    "Threshold",
    "UsualSession",
    "VisitSchedule",
    "VisitWindow",
    "ask_columns",
    "check_cohort",
    "check_folder",
    "cohort_parts",
    "deidentify",
    "disclosure_risk",
    "import_cohort",
    "load_catalogue",
    "load_cohort",
    "map_reference",
    "review_columns",
    "suggest_map",
    "sum_sessions",
    "to_scheduled_weeks",
    "torque_per_kg",
    "visit_frame",
    "write_cohort",
]
