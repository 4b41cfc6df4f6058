"""The sections of one patient's page, in their order; a cell of the notebook calls one.

- ``study``: Everything the page is made of, computed once; refused where the cohort must not show single patients.
- ``findings``: What the visits say: records, each with what was looked at; every claim of the page speaks from them.
- ``opening``: What stands at the top: who, and In short, what the visits say in plain language.
- ``worse``: What In short says beside visits off the curve: low throughout, worse than at the start, lost.
- ``recovery``: The patient's recovery: the figure, each visit against what was expected, the weeks ahead, thresholds.
- ``patient_figure``: The figure of the patient's visits on the centile curves of the others, and the weeks ahead.
- ``home``: What was done at home, how the brace was set, and what happened.
- ``home_figures``: Figures of the home programme: sessions done of those prescribed, and the limits of the brace.
- ``closing``: What stands at the end: methods in words, cautions, provenance.
"""

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
