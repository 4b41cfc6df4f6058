"""RESPOND: protocols compared beyond one outcome.

- ``effect_size``: differences in standard deviations, with intervals.
- ``compare_outcomes``: a primary outcome and secondary ones in order, tested with one level for all.
- ``harm_differences``: harms compared kind by kind, and serious ones.
- ``subgroups``: differences within groups of patients, and whether they differ from group to group.
"""
