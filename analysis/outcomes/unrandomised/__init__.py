"""RESPOND: protocols that nobody drew lots for, compared among patients made alike by what was known before the start.

- ``known_before``: Covariates of a cohort that were known before the protocol began; all others are refused.
- ``baseline_columns``: Covariates as columns of a model: numbers, curves, labels, and what is missing.
- ``balance_tables``: Balance before and after weighting, and what the weights of each protocol stand for.
- ``refusals``: Where no comparison is made, in words, with what to do instead; cautions where one is.
- ``balance_weights``: Scores, weights and balance of patients, from a table with one row each.
- ``estimated``: Means and differences with their errors, limits and E-values.
- ``adjusted_means``: Means and differences of one value a patient.
- ``filled_visits``: A mixed model as the outcome model: what it expects, and missed visits by pattern.
- ``visits_compared``: Which patients, weeks and visits of a cohort are compared.
- ``comparison_notes``: What is said beside a comparison.
- ``observational_comparison``: The comparison of a cohort by week, the crude one beside it.
"""
