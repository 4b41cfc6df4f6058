"""The lessons, in reading order: data, figures and exercises of each.

- ``lesson_1_measuring``: symmetry and its denominator, the error of one test.
- ``lesson_2_repeated``: what averaging hides, how many patients stand behind the rows, partial pooling.
- ``lesson_3_bends``: of lesson 3, splines with more and more pieces through a small clinic, and the next patients.
- ``lesson_3_shape``: four shapes, extrapolation, the plateau from early visits, splines that bend too much.
- ``lesson_4_comparing``: regression to the mean, change scores, p values within groups, small samples.
- ``lesson_5_enough``: detectable and important change, the cost of yes or no, the responders of a cohort.
- ``lesson_6_absent``: three ways to be lost, completers, carrying forward, the tipping point.
- ``lesson_7_doing``: adherence follows recovery, the naive slope, and the allocation of a trial.
- ``lesson_8_quarter``: common and special cause, fixed limits, funnel, case mix, small numbers.
- ``own_fits``: what a learner finds who calls the kit, in lessons 3 and 4.
- ``lesson_list``: the lessons by number.
"""
