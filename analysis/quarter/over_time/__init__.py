"""Charts over time, and what they tell of the quarter.

- ``special_causes``: The one named set of rules by which control charts tell special causes from common cause.
- ``control_charts``: Control charts with a fixed baseline: individuals with moving ranges (XmR), shares (p), and rates
  (u).
- ``prime_charts``: Laney's p' and u' charts: limits that allow for what differs between periods, for large
  denominators.
- ``run_chart``: Run charts: points about a median, judged by the run rules; for series too short for control limits.
- ``charts``: Which chart an indicator gets: a control chart with twelve points or more, otherwise a run chart, and why.
- ``quarter_change``: What became of an indicator in the quarter, judged by the rules of its chart; nothing is said or
  rounded here.
"""
