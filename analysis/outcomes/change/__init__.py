"""RESPOND: change since the baseline, by which everything else is counted.

- ``change``: Change from baseline: which visit is the baseline, and how far each patient has come by a week.
- ``gap_regained``: How much of the gap to the other limb was regained, in per cent of the gap before the start.
- ``regression_to_mean``: Regression to the mean: what a group that was chosen for a bad baseline gains with no
  treatment at all.
"""
