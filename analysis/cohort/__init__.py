"""LOAD and CHECK: cohorts from files, their tables, measures, and every problem found in them."""

from analysis.cohort.measures import Measure, Measures, Threshold, load_catalogue
from analysis.cohort.provenance import Provenance, Source
from analysis.cohort.tables import TABLES, Cohort
from analysis.cohort.visit_frame import visit_frame

__all__ = [
    "TABLES",
    "Cohort",
    "Measure",
    "Measures",
    "Provenance",
    "Source",
    "Threshold",
    "load_catalogue",
    "visit_frame",
]
