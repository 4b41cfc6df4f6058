"""The sections of a quarter's outcomes, in their order; a cell of the notebook calls one.

- ``study``: Everything a quarter's report is made of, computed once from counts that may be shown.
- ``beside``: Files that lie beside a cohort folder and have its name, such as the release ledger and the quarter file.
- ``opening``: What stands at the top of a quarter's report: what was counted, the answer, and what changed.
- ``summary``: The summary that stands first: a row an indicator with its value, target, last quarters, verdict, and what to do.
- ``indicators``: The indicators of the quarter with numerator and denominator, and completeness against its floor.
- ``for_programs``: The indicators and the signals of a quarter for other programs: numbers as they are, one row an indicator.
- ``over_time``: The charts over time: outcomes, and the measures that must not get worse meanwhile.
- ``sites``: The sites: a funnel about the whole, and observed against expected; by name, never ranked.
- ``sites_over_time``: The sites over time: blocks of quarters of each, by name, against the line of all; nothing is tested there.
- ``equity``: Who waits, who is missing, who is left behind: shares by groups of patients over a whole year.
- ``recording``: A release put on record, and what is said of the earlier ones it was checked against.
- ``actions``: The actions of the team: those of the quarter file with what became of them, and signals that have none yet.
- ``closing``: What stands at the end of a quarter's report: methods, cautions, provenance.

What is computed once has a room of its own (``prepared``), and so have what a team agreed on (``agreed``) and what was found
(``findings``).
"""

from analysis.report.quarter.actions import actions
from analysis.report.quarter.closing import cautions, methods, provenance
from analysis.report.quarter.equity import equity
from analysis.report.quarter.for_programs import signals
from analysis.report.quarter.indicators import completeness, indicators
from analysis.report.quarter.opening import answer, changed, since_last_release, subtitle
from analysis.report.quarter.over_time import balancing, harms, outcomes, process, recovery
from analysis.report.quarter.recording import record_release
from analysis.report.quarter.sites import case_mix, sites, sites_by_indicator
from analysis.report.quarter.sites_over_time import sites_over_time
from analysis.report.quarter.study import QuarterStudy, prepare_quarter
from analysis.report.quarter.summary import summary

__all__ = [  # noqa: RUF022 - the order of the report
    "prepare_quarter",  # load, hide and compute, once
    "QuarterStudy",
    "subtitle",
    "summary",
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
    "equity",
    "actions",
    "signals",
    "sites_by_indicator",
    "sites_over_time",
    "methods",
    "cautions",
    "provenance",
    "record_release",
]
