"""The sections of a data-quality report, in their order; a cell of the notebook calls one."""

from analysis.report.quality.closing import cautions, methods, provenance
from analysis.report.quality.opening import answer, subtitle
from analysis.report.quality.study import QualityStudy, prepare_check
from analysis.report.quality.values import digits, findings, values
from analysis.report.quality.visits import completeness, lost, timing

__all__ = [  # noqa: RUF022 - the order of the report
    "prepare_check",  # load and compute, once
    "QualityStudy",
    "subtitle",
    "answer",
    "findings",
    "values",
    "completeness",
    "timing",
    "lost",
    "digits",
    "methods",
    "cautions",
    "provenance",
]
