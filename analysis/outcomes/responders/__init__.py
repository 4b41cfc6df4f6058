"""RESPOND: patients who improved by a threshold: counted, compared, over time.

- ``responders``: the share of patients who reached a threshold, by protocol, beside the mean difference.
- ``states_together``: a state of several measures together, reached where all of them are at one visit.
- ``change_distribution``: the share at every threshold, so that no one decides.
- ``better_or_worse``: both directions of change by a week.
- ``kept_response``: patients who passed a threshold by a week and stayed beyond it at every later visit.
- ``threshold_grid``: a grid of thresholds and both rules for missing visits, so that no one choice decides.
- ``visit_history``: whether a threshold had been reached, at every visit of every patient.
- ``repeated_responders``: several weeks together, by generalised estimating equations.
- ``time_to_response``: time to the first visit at which a threshold was reached (Kaplan and Meier).
- ``adjusted_difference``: the difference adjusted for baseline covariates: standardisation from a logistic model.
- ``paired_difference``: a difference of two shares of the same patients: two weeks, or two limbs.
- ``stratified_difference``: the difference within strata, such as the sites of a trial that allocated patients by site.
- ``limb_symmetry``: limb symmetry beside what it hides: the absolute torque, and the other limb before surgery.
"""
