"""RESPOND: visits that are missing: who, how many, and what they could have changed.

- ``missing_by_week``: Missing visits: who was expected, seen and missing, by protocol and week.
- ``missing_patterns``: Who is missing: patterns of visits made and missed, and how the missing differed at the start
  from those seen.
- ``gaps``: The gaps in the visits of patients, and how they are filled from a normal.
- ``joint_model``: A joint model of all scheduled visits: its parts, the design of every kind of patient, and the
  covariance of visits.
- ``weekly_model``: The joint model of all scheduled visits, baseline included, and draws from it: what imputation and
  probability need.
- ``covariance_draws``: Draws of the covariance parameters of a mixed model, where they cannot be drawn exactly week
  after week.
- ``monotone_draws``: Draws from the posterior of the joint model of visits: exact, week after week, by monotone data
  augmentation.
- ``imputation``: Imputation from the joint model of visits: missing at random, or as if a patient had had the
  reference protocol.
- ``completed_data``: What is computed from each completed data set: differences of means and of shares between
  protocols.
- ``same_adjustment``: What the recovery curves are adjusted for, in the analyses of missing visits that stand beside
  them.
- ``missing_analyses``: The comparison at one week under different assumptions about the missing visits, side by side.
- ``tipping_point``: How far the missing values would have to lie from what the model expects before the finding
  turns.
"""
