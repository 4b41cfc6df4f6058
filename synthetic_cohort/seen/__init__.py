"""What is seen in the end: who is missing, events, and the long table of visits.

- ``missingness``: Who is not seen: lost for good, a missed visit, a measurement not made; completely at random, at random, or not.
- ``events``: Events: harms and withdrawals, each with its week, whether it was serious, and whether it was related.
- ``long_table``: From one array a series to the long visits table: one row a patient, week and series.
"""
