"""The likelihood of a mixed model, its optimum, and what is inferred there.

- ``model_checks``: What a model asks of the data, checked before the fit, with the simpler model to try.
- ``identifiability``: Whether these visits can tell the covariance parameters of a model apart.
- ``elements``: The elements of a design: products of a week function and a column of u, well scaled.
- ``working_basis``: From moments and a design to well-scaled arrays for the likelihood, and the exact way back.
- ``patient_blocks``: Go through the patients' rows, laid out by slot, some patients at a time.
- ``likelihood``: The (restricted) likelihood, its gradient and its information, from sums by visit pattern.
- ``optimiser``: Newton's method on the criterion, with a guard, halving and an honest account of how it ended.
- ``boundary``: Optima at the boundary: variances put at zero exactly, and inference on the parameters that stay free.
- ``fitting``: From data and a formula to the optimum: the steps of a fit, and the record of how it went.
- ``fitted_model``: A fitted mixed model: the parts that everything asked of it is computed from.
- ``contrasts``: Estimates of linear combinations of the coefficients, with their intervals and tests.
- ``small_sample``: Small-sample inference: Satterthwaite and Kenward-Roger.
- ``robust``: The sandwich covariance of the coefficients, over patients.
"""
