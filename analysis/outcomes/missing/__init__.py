"""RESPOND: visits that are missing: who, how many, and what they could have changed.

- ``missing_by_week``: who was expected, seen and missing, by protocol and week.
- ``missing_patterns``: patterns of visits made and missed, and how the missing differed at the start from those seen.
- ``gaps``: the gaps in the visits of patients, and how they are filled from a normal.
- ``joint_model``: a joint model of all scheduled visits: its parts, its design and its covariance.
- ``weekly_model``: that model fitted, baseline included, and draws from it: what imputation and probability need.
- ``covariance_draws``: draws of its covariance parameters, where they cannot be drawn exactly week after week.
- ``monotone_draws``: draws from its posterior: exact, week after week, by monotone data augmentation.
- ``imputation``: gaps filled: missing at random, or as if a patient had had the reference protocol.
- ``completed_data``: differences of means and of shares between protocols, from each completed data set.
- ``same_adjustment``: what the recovery curves are adjusted for, in the analyses that stand beside them.
- ``missing_analyses``: the comparison at one week under different assumptions about the missing visits, side by side.
- ``states_model``: a joint model of several measures at several weeks, for states that are counted together.
- ``states_analyses``: such states under several assumptions about what is missing.
- ``tipping_point``: how far the missing values would have to lie from what is expected before the finding turns.
"""
