"""The sections of a quarter's outcomes, in their order; a cell of the notebook calls one.

- ``study``: Everything a quarter's report is made of, computed once from counts that may be shown.
- ``releasing``: A release beside earlier ones: which baseline holds, and what must be hidden because of what they showed.
- ``counted_folder``: What a folder holds for a quarter's report, counted: a cohort, counts of a network, or aggregates.
- ``targets``: Targets of indicators, as a report's parameter gives them.
- ``site_study``: The sites of a quarter's report, computed once: funnels, and observed against expected.
- ``curve_study``: Recovery curves of two groups of quarters, computed once: the year up to the quarter, and the baseline.
- ``opening``: What stands at the top of a quarter's report: what was counted, the answer, and what changed.
- ``indicators``: The indicators of the quarter with numerator and denominator, and completeness against its floor.
- ``for_programs``: The indicators and the signals of a quarter for other programs: numbers as they are, one row an indicator.
- ``over_time``: The charts over time: outcomes, and the measures that must not get worse meanwhile.
- ``sites``: The sites: a funnel about the whole, and observed against expected; by name, never ranked.
- ``sites_over_time``: The sites over time: blocks of quarters of each, by name, against the line of all; nothing is tested there.
- ``recording``: A release put on record, and what is said of the earlier ones it was checked against.
- ``closing``: What stands at the end of a quarter's report: actions to fill in, methods, cautions, provenance.
"""

from analysis.report.quarter.closing import actions, cautions, methods, provenance
from analysis.report.quarter.for_programs import signals
from analysis.report.quarter.indicators import completeness, indicators
from analysis.report.quarter.opening import answer, changed, since_last_release, subtitle
from analysis.report.quarter.over_time import balancing, harms, outcomes, process, recovery
from analysis.report.quarter.recording import record_release
from analysis.report.quarter.sites import case_mix, sites, sites_by_indicator
from analysis.report.quarter.sites_over_time import sites_over_time
from analysis.report.quarter.study import QuarterStudy, prepare_quarter

__all__ = [  # noqa: RUF022 - the order of the report
    "prepare_quarter",  # load, hide and compute, once
    "QuarterStudy",
    "subtitle",
    "answer",
    "changed",
    "since_last_release",
    "indicators",
    "completeness",
    "outcomes",
    "recovery",
    "process",
    "sites",
    "case_mix",
    "balancing",
    "harms",
    "actions",
    "signals",
    "sites_by_indicator",
    "sites_over_time",
    "methods",
    "cautions",
    "provenance",
    "record_release",
]
