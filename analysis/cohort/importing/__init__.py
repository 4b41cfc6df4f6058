"""LOAD: a clinic's own files become a cohort by a map.

- ``import_cohort``: A file or a folder of any shape, by a map file, becomes a cohort.
- ``import_home``: Import of the home programme: sessions, a log summed into sessions, brace limits, events.
- ``source_rows``: The rows of one source file: texts become numbers, labels, dates, weeks.
- ``sources``: The files that a map names: found in a folder without following links, each read once.
- ``start_dates``: The date of surgery or start of each patient, from which dates become weeks.
- ``map_file``: The map file: TOML that says which column of which file is what.
- ``map_reference``: Every section and key of a map, declared once, and the map reference.
- ``map_keys``: The tables and keys of a map file, read strictly.
- ``map_home``: The map of the home programme (sessions, session log, brace limits, events) and of visit windows.
- ``suggest_map``: A first map file, written from the columns that a file has, with comments where it is not sure.
- ``suggest_sheets``: Which sheets of a workbook a suggested map takes.
- ``suggest_home``: The sections of a suggested map about the home programme: a session log, or weekly counts.
- ``map_text``: The text of a suggested map file: TOML with comments where a person must look.
"""
