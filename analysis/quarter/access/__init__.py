"""Who waits, who is missing, who is left behind.

- ``waits``: The waits of a quarter's patients: mean days to surgery and to the first home session.
- ``strata``: Groups of patients that should fare alike: by sex, age, language and distance from home, where they are on record.
- ``stratum_counts``: Counts by group over a whole year, small ones hidden, kept as they were first released.
- ``stratum_tests``: Whether groups differ by more than chance, over those whose counts may be shown.
"""
