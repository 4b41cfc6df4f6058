"""RESPOND: patients who improved by a threshold: counted, compared, over time.

- ``responders``: Responders: the share of patients whose improvement reaches a threshold, by protocol, beside the
  mean difference.
- ``change_distribution``: The cumulative distribution of change by protocol: the responder share at every threshold,
  so that no one decides.
- ``better_or_worse``: Better, unchanged or worse by a week: both directions of change, by protocol.
- ``kept_response``: Reached and kept: patients who passed a threshold by a week and stayed beyond it at every later
  visit.
- ``threshold_grid``: Responders over a grid of thresholds and both rules for missing visits, so that no one choice
  decides.
- ``visit_history``: Whether a threshold had been reached, at every visit of every patient.
- ``repeated_responders``: Responders at repeated visits, several weeks together, by generalised estimating equations.
- ``time_to_response``: Time to the first visit at which a threshold was reached, by protocol (Kaplan and Meier).
- ``adjusted_difference``: Difference of responder shares adjusted for baseline covariates: standardisation from a
  logistic model.
- ``paired_difference``: A difference of two shares of the same patients: two weeks, or two limbs.
- ``stratified_difference``: A difference of responder shares within strata, such as the sites of a trial that
  allocated patients by site.
- ``limb_symmetry``: Limb symmetry beside what it hides: the absolute torque, and the other limb as it was before
  surgery.
"""
