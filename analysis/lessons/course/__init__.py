"""The lessons, in reading order: data, figures and exercises of each.

- ``lesson_1_measuring``: Lesson 1: what was measured, and how well; symmetry and its denominator, the error of one
  test.
- ``lesson_2_repeated``: Lesson 2: repeated visits; what averaging hides, how many patients stand behind the rows,
  partial pooling.
- ``lesson_3_bends``: Lesson 3, how many bends: splines with more and more pieces through a small clinic, and the next
  patients.
- ``lesson_3_shape``: Lesson 3: the shape of recovery; four shapes, extrapolation, the plateau from early visits,
  splines that bend too much.
- ``lesson_4_comparing``: Lesson 4: did one protocol do better; regression to the mean, change scores, p values within
  groups, small samples.
- ``lesson_5_enough``: Lesson 5: how much is enough; detectable and important change, the cost of yes or no, the
  responders of a cohort.
- ``lesson_6_absent``: Lesson 6: who did not come back; three ways to be lost, completers, carrying forward, the
  tipping point.
- ``lesson_7_doing``: Lesson 7: did doing the programme help; adherence follows recovery, the naive slope, and the
  allocation of a trial.
- ``lesson_8_quarter``: Lesson 8: is this quarter different; common and special cause, fixed limits, funnel, case mix,
  small numbers.
- ``lesson_list``: The lessons, in reading order.
"""
