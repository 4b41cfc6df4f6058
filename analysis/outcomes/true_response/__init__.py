"""RESPOND: the probability that a patient's true change reached a threshold.

- ``probability_of_response``: Probability of response: how likely each patient's true change is beyond the threshold,
  error and gaps counted in.
- ``free_distribution``: Probabilities of response without a normal distribution of patients: its shape is estimated
  from the visits.
- ``normality``: Whether patients and single visits are normal as the joint model takes them, and what the test would
  have found.
- ``pieces``: A distribution of two true values as many narrow normal pieces, and what each patient's visits say of each
  piece.
- ``response_posterior``: Posterior of each patient's true change under the joint normal model, drawn.
- ``response_tables``: Tables of expected responders: shares by protocol, their differences, and how often a raw
  answer would be wrong.
- ``smooth_shape``: A smooth distribution of two true values: each a standard normal value bent by a rising curve, as
  flexible as pays.
- ``true_pair``: What the visits of each patient say of two true values: the one compared with the threshold, and an
  earlier one.
"""
