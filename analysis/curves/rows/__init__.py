"""The engine's input: rows of visits, and their sums.

- ``moments``: Sufficient statistics by visit pattern: all that a mixed model needs to know of the rows.
- ``moment_sums``: Group patients by the visits they have, and sum their rows into moments.
- ``visit_rows``: The visit rows of a data frame, checked and laid out as patient by visit.
"""
