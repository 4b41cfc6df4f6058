"""Charts over time, and what they tell of the quarter.

- ``special_causes``: The one named set of rules by which control charts tell special causes from common cause.
- ``control_charts``: Control charts with a fixed baseline: individuals with moving ranges (XmR), shares (p), and rates
  (u).
- ``prime_charts``: Laney's p' and u' charts: limits that allow for what differs between periods, for large
  denominators.
- ``run_chart``: Run charts: points about a median, judged by the run rules; for series too short for control limits.
- ``charts``: Which chart an indicator gets: a control chart with twelve points or more, otherwise a run chart, and why.
- ``quarter_change``: What the rules of one chart say of the quarter; nothing is said or rounded here.
- ``against_baseline``: The last quarters, alone and together, against the baseline: p values that allow for the baseline
  being an estimate.
- ``release_changes``: What became of every indicator of a release: a signal is what chance makes in few releases, over all
  that is judged.
"""
