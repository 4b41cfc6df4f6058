"""RESPOND: the probability that a patient's true change reached a threshold.

- ``probability_of_response``: how likely each patient's true change is beyond it, error and gaps counted in.
- ``free_distribution``: the same without a normal distribution of patients: its shape is estimated from the visits.
- ``normality``: whether patients and visits are normal as the joint model takes them, and the power of that test.
- ``pieces``: a distribution of two true values as narrow normal pieces, and what each patient's visits say of each.
- ``reaching``: how likely true values reach a threshold, by their sum or by their distance from the best value.
- ``response_posterior``: posterior of each patient's true change under the joint normal model, drawn.
- ``response_tables``: shares by protocol, their differences, and how often a raw answer would be wrong.
- ``smooth_shape``: a smooth distribution of two true values: normal ones bent by a rising curve, as flexible as pays.
- ``true_pair``: what the visits say of two true values: the one compared with the threshold, and an earlier one.
"""
