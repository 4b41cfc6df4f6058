"""De-identification: what is taken out of a cohort or a file, and what is left to find.

- ``deidentify``: De-identify a cohort folder, a folder of files or one file: read, take the identifiers out, write
  elsewhere.
- ``columns``: Decide for each column of a source what de-identification does with it, and under which paragraph.
- ``report``: What de-identification found and did: one row a column, without any value of the source.
- ``tables``: De-identify tables: decide on every column, and carry it out in all tables with the same new
  identifiers.
- ``transforms``: What de-identification does with cells: dates to weeks, ages, ZIP codes, sites, and new identifiers
  of patients.
- ``disclosure``: Disclosure risk: how many patients share what others may know of them, and what generalisation would
  change.
"""
