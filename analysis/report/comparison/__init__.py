"""The sections of a protocol comparison, in their order; a cell of the notebook calls one."""

from analysis.report.comparison.checklist import checklist
from analysis.report.comparison.closing import cautions, methods, provenance
from analysis.report.comparison.doses import doses
from analysis.report.comparison.estimand import estimand
from analysis.report.comparison.home_detail import adherence_detail, dose_and_recovery, gap
from analysis.report.comparison.opening import answer, subtitle
from analysis.report.comparison.other_counts import other_counts, symmetry
from analysis.report.comparison.outcomes import differences, measurements, recovery, responder_analysis
from analysis.report.comparison.patients import baseline, flow
from analysis.report.comparison.programme import harms, home_programme, missing
from analysis.report.comparison.sensitivity import model_checks, probability, sensitivity
from analysis.report.comparison.study import Study, prepare_study

__all__ = [  # noqa: RUF022 - the order of the report
    "prepare_study",  # load and compute, once
    "Study",
    "subtitle",
    "answer",
    "estimand",
    "flow",
    "baseline",
    "measurements",
    "recovery",
    "differences",
    "responder_analysis",
    "doses",
    "home_programme",
    "harms",
    "missing",
    "methods",
    "cautions",
    "provenance",
    "checklist",
    # appendix
    "sensitivity",
    "other_counts",
    "probability",
    "symmetry",
    "gap",
    "adherence_detail",
    "dose_and_recovery",
    "model_checks",
]
