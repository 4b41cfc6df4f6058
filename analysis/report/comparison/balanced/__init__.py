"""REPORT: protocols that nobody drew lots for, compared among patients made alike; the crude comparison stands beside.

- ``covariates``: What patients are balanced for where nobody named it.
- ``results``: The balanced comparison of a study, or why there is none.
- ``trial_in_words``: The trial that the comparison stands for: who, when, what, compared how.
- ``sections``: The section of the report: the trial, whom it speaks of, balance, scores, curves, differences, doubts.
"""
