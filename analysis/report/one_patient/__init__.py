"""The sections of one patient's page, in their order; a cell of the notebook calls one."""

from analysis.report.one_patient.closing import cautions, methods, provenance
from analysis.report.one_patient.home import brace, events, sessions
from analysis.report.one_patient.opening import answer, subtitle
from analysis.report.one_patient.recovery import ahead, curves, thresholds, visits
from analysis.report.one_patient.study import PatientPage, prepare_patient

__all__ = [  # noqa: RUF022 - the order of the page
    "prepare_patient",  # load and compute, once
    "PatientPage",
    "subtitle",
    "answer",
    "curves",
    "visits",
    "ahead",
    "thresholds",
    "sessions",
    "brace",
    "events",
    "methods",
    "cautions",
    "provenance",
]
