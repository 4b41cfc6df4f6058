"""A quarter's outcomes: indicators, what may be shown of them, charts over time, sites, and what changed.

- ``periods``: Periods of a quarter's report: quarters and months as text, put in order and counted on.
- ``counts``: What a quarter's report counts: indicators, and their counts by period and site before anything is hidden.
- ``counted``: Counts of patients by the quarter of their start and by site, gathered while indicators are made.
- ``indicators``: The indicators of a quarter from a cohort: numerator and denominator of each, by quarter of start and
  by site.
- ``harms``: Harms over the same exposure: within six weeks of the start, by kind, serious, related.
- ``aggregates``: Monthly or quarterly aggregates in place of a cohort: counts without patients, read and checked.
- ``blocks``: Blocks of quarters over which sites are followed: cut by the calendar, so that they stay where they are, and their
  cells.
- ``released_counts``: Counts as they were released, and what of them a release ledger keeps.
- ``release``: Counts as they may be shown: the small ones and those beside them hidden, once, before anything is
  computed.
- ``signal_level``: How sure a signal of a release is: at most 5 of 100 releases without any change have one, over all that
  is judged.
- ``value_interval``: How sure the value of a quarter is: the interval of a share or a rate from its numerator and
  denominator.

Its rooms: ``network`` (sites that share counts and no rows), ``ledger`` (what earlier releases showed, and what a new one must
hide because of it), ``over_time`` (charts, and what they tell of the quarter), ``sites`` (sites beside each other, never ranked).
"""

from analysis.quarter.aggregates import AGGREGATES_FILE, read_aggregates
from analysis.quarter.counts import Indicator, QuarterCounts
from analysis.quarter.indicators import QuarterCohort, quarter_indicators
from analysis.quarter.over_time.charts import IndicatorChart, chart_of
from analysis.quarter.over_time.control_charts import ControlChart, p_chart, u_chart, xmr_chart
from analysis.quarter.over_time.quarter_change import QuarterChange, quarter_change
from analysis.quarter.over_time.run_chart import RunChart, run_chart
from analysis.quarter.release import release
from analysis.quarter.released_counts import ReleasedCounts
from analysis.quarter.sites.case_mix import CaseMix, case_mix
from analysis.quarter.sites.funnel import Funnel, funnel
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
    "quarter_change",  # what changed
    "QuarterChange",
]
