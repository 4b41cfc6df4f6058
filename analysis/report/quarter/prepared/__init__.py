"""Parts of a quarter's report that are computed once, from counts that may be shown.

- ``counted_folder``: What a folder holds for a quarter's report, counted: a cohort, counts of a network, or aggregates.
- ``releasing``: A release beside earlier ones: which baseline holds, and what must be hidden because of what they showed.
- ``site_study``: The sites of a quarter's report, computed once: funnels, and observed against expected.
- ``curve_study``: Recovery curves of two groups of quarters, computed once: the year up to the quarter, and the baseline.
- ``equity_study``: Groups of patients in a quarter's report, computed once: a whole year, kept as it was first released.
"""
