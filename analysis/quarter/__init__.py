"""A quarter's outcomes: indicators, what may be shown of them, charts over time, sites, and what changed.

- ``periods``: Periods of a quarter's report: quarters and months as text, put in order and counted on.
- ``indicators``: The indicators of a quarter from a cohort: numerator and denominator of each, by quarter of start and
  by site.
- ``aggregates``: Monthly or quarterly aggregates in place of a cohort: counts without patients, read and checked.
- ``counts``: What a quarter's report counts: indicators, and their counts by period and site before anything is hidden.
- ``release``: Counts as they may be shown: the small ones and those beside them hidden, once, before anything is
  computed.
- ``charts``: Which chart an indicator gets: a control chart with twelve points or more, otherwise a run chart, and why.
- ``control_charts``: Control charts with a fixed baseline: individuals with moving ranges (XmR), shares (p), and rates
  (u).
- ``prime_charts``: Laney's p' and u' charts: limits that allow for what differs between periods, for large
  denominators.
- ``run_chart``: Run charts: points about a median, judged by the run rules; for series too short for control limits.
- ``special_causes``: The one named set of rules by which control charts tell special causes from common cause.
- ``quarter_change``: What became of an indicator in the quarter, judged by the rules of its chart; nothing is said or
  rounded here.
- ``value_interval``: How sure the value of a quarter is: the interval of a share or a rate from its numerator and
  denominator.
- ``funnel``: Funnel plots: sites against exact limits about the whole, with over-dispersion checked; never a ranking.
- ``case_mix``: Observed against expected by site: a model of the case mix fitted on the whole, and estimates shrunk
  towards it.
- ``site_effects``: How far sites lie from what is expected of them, in log odds: likelihood integrated exactly, shrunk
  to the whole.
"""

from analysis.quarter.aggregates import AGGREGATES_FILE, read_aggregates
from analysis.quarter.case_mix import CaseMix, case_mix
from analysis.quarter.charts import IndicatorChart, chart_of
from analysis.quarter.control_charts import ControlChart, p_chart, u_chart, xmr_chart
from analysis.quarter.counts import Indicator, QuarterCounts
from analysis.quarter.funnel import Funnel, funnel
from analysis.quarter.indicators import QuarterCohort, quarter_indicators
from analysis.quarter.quarter_change import QuarterChange, quarter_change
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
    "quarter_change",  # what changed
    "QuarterChange",
]
