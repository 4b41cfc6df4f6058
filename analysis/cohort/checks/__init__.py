"""CHECK: what cannot be, in tables, visits, the home programme and the flow.

- ``checks``: CHECK: every problem of a cohort in one table, never only the first.
- ``parts_check``: Check of a cohort whose tables come in parts, one in memory at a time.
- ``table_checks``: Checks that hold for every table: columns, keys, ranges, labels, texts, patients.
- ``links``: How many patients of one table or file are in another.
- ``name_checks``: Check of names: protocols, sites and patients of nearly one spelling.
- ``permission_checks``: Check that every column of a cohort is one that is known, or that a person named.
- ``visit_checks``: Checks of the measured values: known measures, limbs, plausible ranges, mixed-up units, baselines.
- ``flow_checks``: Checks of the flow before and at the start: counts that add up, and those of the patients.
- ``home_checks``: Checks of the home programme: sessions and brace settings that cannot have been, or need a look.
"""
