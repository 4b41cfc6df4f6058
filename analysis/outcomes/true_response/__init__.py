"""RESPOND: the probability that a patient's true change reached a threshold.

- ``probability_of_response``: Probability of response: how likely each patient's true change is beyond the threshold,
  error and gaps counted in.
- ``free_distribution``: Probabilities of response without a normal distribution of patients: its shape is estimated
  from the visits.
- ``normality``: Whether patients and single visits are normal as the joint model takes them, and what the test would
  have found.
- ``response_posterior``: Posterior of each patient's true change under the joint normal model, drawn.
- ``response_tables``: Tables of expected responders: shares by protocol, their differences, and how often a raw
  answer would be wrong.
- ``true_pair``: What the visits of each patient say of two true values: the one compared with the threshold, and an
  earlier one.
"""
