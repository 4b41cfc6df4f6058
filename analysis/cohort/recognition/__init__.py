"""What a column is, by its name and its cells; identifiers among them.

- ``spellings``: One name in several spellings: what is folded, and what a reader takes for one another.
- ``site_names``: Names of sites, read the same everywhere: capitals and blanks make no site of their own.
- ``recognise_columns``: Recognise what a column of an unknown file may hold, by its name and by what stands in it.
- ``header_words``: Take the name of a column apart: what is measured, on which limb, when, in which unit.
- ``visit_times``: Times told by the names of visits, and the order in which dates are written.
- ``measured_cells``: Cells of a measure: numbers, limits such as <20, and the reasons why there is none.
- ``recognise_home``: Recognise the home programme in an unknown file: a log of sessions, or counts by week.
- ``trade_words``: The words of the trade: of what headers and labels of harmless columns are made.
- ``cells``: The cells of a column, read once: texts, marks of a missing value, numbers as people write them.
- ``number_rules``: Numbers that may say more than a measurement: of records, of rows, dates, ZIP codes.
- ``known_columns``: What a column is known to hold, so that it may stay without anybody having permitted it.
- ``find_identifiers``: Find direct identifiers by the names of columns and by what stands in them.
- ``identifier_rules``: The identifiers of 45 CFR 164.514(b)(2) as rules, a pattern each.
- ``cell_rules``: Which rule of the identifiers a text falls under, quick for a million texts.
"""
