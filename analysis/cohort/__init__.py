"""LOAD and CHECK: cohorts from files, their tables, measures, and every problem found in them."""

from analysis.cohort.checks import FailedCheckError, check_cohort
from analysis.cohort.data_package import check_folder, load_cohort, write_cohort
from analysis.cohort.findings import CheckReport
from analysis.cohort.import_cohort import import_cohort
from analysis.cohort.measures import Measure, Measures, Threshold, load_catalogue
from analysis.cohort.provenance import Provenance, Source
from analysis.cohort.tables import TABLES, Cohort
from analysis.cohort.visit_frame import visit_frame

__all__ = [
    "TABLES",
    "CheckReport",
    "Cohort",
    "FailedCheckError",
    "Measure",
    "Measures",
    "Provenance",
    "Source",
    "Threshold",
    "check_cohort",
    "check_folder",
    "import_cohort",
    "load_catalogue",
    "load_cohort",
    "visit_frame",
    "write_cohort",
]
