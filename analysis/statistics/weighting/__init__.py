"""Groups that nobody drew lots for, made alike by weights: scores, weights, balance, means and their errors.

- ``multinomial_scores``: The chance of each group given covariates, by multinomial logistic regression, patient by patient.
- ``tilting``: Whom a comparison speaks of, and the weights that follow: overlap, everybody, matching, one group.
- ``balance_measures``: How far groups lie apart before and after weighting, and how many patients the weights stand for.
- ``leave_one_out``: Coefficients without one patient at a time, from one fit.
- ``outcome_rows``: What an outcome model hands over: rows under each group, and each patient's part in the coefficients.
- ``tilted_means``: Means by weights, by the model or by both, with sandwich and jackknife errors.
"""
