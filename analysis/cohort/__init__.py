"""LOAD and CHECK: cohorts from files, their tables, measures, and every problem found in them."""

from analysis.cohort.checks.checks import FailedCheckError, check_cohort
from analysis.cohort.deidentification.deidentify import deidentify
from analysis.cohort.deidentification.disclosure import DisclosureRisk, disclosure_risk
from analysis.cohort.deidentification.report import DeidentificationReport
from analysis.cohort.derived import torque_per_kg
from analysis.cohort.files.data_package import check_folder, load_cohort, write_cohort
from analysis.cohort.findings import CheckReport
from analysis.cohort.importing.import_cohort import Imported, import_cohort
from analysis.cohort.importing.suggest_map import suggest_map
from analysis.cohort.measures import Measure, Measures, Threshold, load_catalogue
from analysis.cohort.prescriptions import Prescription
from analysis.cohort.provenance import Provenance, Source
from analysis.cohort.schedule import ScheduleReport, VisitSchedule, VisitWindow, to_scheduled_weeks
from analysis.cohort.session_log import sum_sessions
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
    "ScheduleReport",
    "Source",
    "Threshold",
    "VisitSchedule",
    "VisitWindow",
    "check_cohort",
    "check_folder",
    "deidentify",
    "disclosure_risk",
    "import_cohort",
    "load_catalogue",
    "load_cohort",
    "suggest_map",
    "sum_sessions",
    "to_scheduled_weeks",
    "torque_per_kg",
    "visit_frame",
    "write_cohort",
]
