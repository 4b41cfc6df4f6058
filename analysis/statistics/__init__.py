"""General statistics, without a word of knees.

- ``proportions``: Shares with their denominators: Wilson intervals, Newcombe differences, number needed to treat.
- ``ratios``: Ratios and odds ratios of responder shares, also in small groups and empty cells.
- ``combined_limits``: Limits of a difference of two shares from the limits of each.
- ``mean_interval``: Means of patients with t intervals, and differences of two by Welch.
- ``kaplan_meier``: Shares by week of patients to whom something has happened: Kaplan and Meier.
- ``two_stages``: Two-stage least squares, and the interval that stays right where the instrument is weak.
- ``two_counts``: Two shares or two rates against each other, by exact tests given the sum of their counts.
- ``multiplicity``: P values adjusted for the number of comparisons.
- ``graphical_tests``: Several hypotheses tested with one error that is passed on along a graph.
- ``rubin``: Rubin's rules: one answer from many imputed data sets.
- ``estimating_equations``: Generalised estimating equations for yes or no at repeated visits.
- ``calibration``: Whether probabilities given are right: how often it was true, in bands of the probability.
- ``dispersion``: How much groups differ beyond chance: the spread of their standardised values against what chance alone makes of it.
- ``e_values``: How strong a factor that nobody wrote down would have to be to explain a difference away.
- ``small_counts``: Small cells hidden, with others beside them, so that no reader can compute them back.

``weighting`` makes groups that nobody drew lots for alike by weights.
"""
