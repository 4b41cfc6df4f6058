"""A quarter's outcomes: indicators, what may be shown of them, charts over time, sites, and what changed."""

from analysis.quarter.aggregates import AGGREGATES_FILE, read_aggregates
from analysis.quarter.case_mix import CaseMix, case_mix
from analysis.quarter.charts import IndicatorChart, chart_of
from analysis.quarter.control_charts import ControlChart, p_chart, u_chart, xmr_chart
from analysis.quarter.counts import Indicator, QuarterCounts
from analysis.quarter.funnel import Funnel, funnel
from analysis.quarter.indicators import QuarterCohort, quarter_indicators
from analysis.quarter.quarter_words import QuarterChange, change_in_words
from analysis.quarter.release import ReleasedCounts, release
from analysis.quarter.run_chart import RunChart, run_chart
from analysis.statistics.small_counts import CellSystem, hide_small_cells, reader_bounds

__all__ = [  # noqa: RUF022 - in the order of the work
    "quarter_indicators",  # count a cohort
    "QuarterCohort",
    "read_aggregates",  # or read counts
    "AGGREGATES_FILE",
    "Indicator",
    "QuarterCounts",
    "release",  # hide what must not be shown
    "ReleasedCounts",
    "CellSystem",
    "hide_small_cells",
    "reader_bounds",
    "chart_of",  # charts over time
    "IndicatorChart",
    "xmr_chart",
    "p_chart",
    "u_chart",
    "ControlChart",
    "run_chart",
    "RunChart",
    "funnel",  # sites
    "Funnel",
    "case_mix",
    "CaseMix",
    "change_in_words",  # what changed
    "QuarterChange",
]
