"""De-identification: what is taken out of a cohort or a file, and what is left to find.

- ``deidentify``: A cohort folder, a folder of files or one file: read, identifiers taken out, written elsewhere.
- ``columns``: Decide for each column of a source what de-identification does with it, and under which paragraph.
- ``report``: What de-identification found and did: one row a column, without any value of the source.
- ``tables``: Decide on every column, and carry it out in all tables with the same new identifiers.
- ``transforms``: What is done with cells: dates to weeks, ages, ZIP codes, sites, new identifiers.
- ``disclosure``: Disclosure risk: how many patients share what others may know of them.
"""
