"""The sections of a quarter's outcomes, in their order; a cell of the notebook calls one."""

from analysis.report.quarter.closing import actions, cautions, methods, provenance
from analysis.report.quarter.indicators import completeness, indicators
from analysis.report.quarter.opening import answer, changed, subtitle
from analysis.report.quarter.over_time import balancing, outcomes
from analysis.report.quarter.sites import case_mix, sites
from analysis.report.quarter.study import QuarterStudy, prepare_quarter

__all__ = [  # noqa: RUF022 - the order of the report
    "prepare_quarter",  # load, hide and compute, once
    "QuarterStudy",
    "subtitle",
    "answer",
    "changed",
    "indicators",
    "completeness",
    "outcomes",
    "sites",
    "case_mix",
    "balancing",
    "actions",
    "methods",
    "cautions",
    "provenance",
]
