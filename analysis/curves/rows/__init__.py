"""The engine's input: rows of visits, and their sums.

- ``visit_rows``: The visit rows of a data frame, checked and laid out as patient by visit.
- ``covariate``: What a model has to know of a column of the data: what it varies with, and its levels.
- ``moment_cells``: The cells of moments: how many patients of each pattern have a level, a combination of levels, or a level at one visit.
- ``moment_disclosure``: What a file of moments would tell of single patients: patterns of few, and levels that few of a pattern have.
- ``moment_files``: Files of sums: words and arrays in NumPy's npz, without pickled objects, whole or not at all.
- ``moments``: Sufficient statistics by visit pattern: all that a mixed model needs to know of the rows.
- ``moment_plan``: What is agreed before moments of several parts are gathered: weeks, levels and their order, scopes, shifts.
- ``moment_sums``: Group patients by the visits they have, and sum their rows into moments.
- ``small_cells``: Which patients lie in patterns of few, or have a level that few of a pattern have: left out on request.
- ``parts``: Visits in parts, whole patients in each: frames one after the other, or Parquet files by row group.
"""
