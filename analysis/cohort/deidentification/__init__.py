"""De-identification: what is known to be harmless or was permitted passes, everything else is withheld.

- ``deidentify``: A cohort folder, a folder of files or one file: looked at, decided on, written elsewhere.
- ``source``: Read every table of a source: files, all sheets of a workbook, and what is hidden in it.
- ``tables``: Judge every column, and carry it out in all tables with the same new identifiers.
- ``judge``: Judge a column: known to be harmless, changed so that it is, or withheld until a person permits it.
- ``known_days``: Dates that give back the start: the same day for many patients, or a day of the office.
- ``review``: The review of a source: one block a column, with the line in which a person decides.
- ``ask``: Ask a person at a terminal, column by column.
- ``permission``: What a person permitted by name, held against what is in the column today.
- ``table_work``: One table while it is de-identified: what was judged of its columns is carried out.
- ``transforms``: What is done with cells: dates to weeks, ages, ZIP codes, labels, new identifiers.
- ``own_parts``: What a cohort brings along beside the rows of its patients: its measures, and the counts of its flow.
- ``names``: Names of files and columns as they may be shown and written.
- ``keys``: The secret key of the new identifiers: made, read, and refused where it is unsafe.
- ``report``: What de-identification found and did: one row a column, without any value of the source.
- ``disclosure``: Disclosure risk: how many patients share what others may know of them.
"""
