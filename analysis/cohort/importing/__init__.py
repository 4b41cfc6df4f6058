"""LOAD: a clinic's own files become a cohort by a map.

- ``import_cohort``: A file or a folder of any shape, by a map file, becomes a cohort.
- ``import_visits``: Import of the visits: every entry of values becomes rows with patient, week, measure, limb and value.
- ``visit_weeks``: Weeks of visits: from numbers, from the names of visits, or from dates and the start of the patient.
- ``import_home``: Import of the home programme: sessions, a log summed into sessions, brace limits, events.
- ``source_rows``: The rows of one source file: texts become numbers, labels, dates, weeks.
- ``sources``: The files that a map names: found in a folder without following links, each read once.
- ``start_dates``: The date of surgery or start of each patient, from which dates become weeks.
- ``last_day``: The as-of date of an import, as given or the last day seen, and the week up to which visits were due by then.
- ``map_file``: The map file: TOML that says which column of which file is what.
- ``map_reference``: Every section and key of a map, declared once, and the map reference.
- ``map_sections``: What a key and a section of a map are, and how both are written out.
- ``map_keys``: The tables and keys of a map file, read strictly.
- ``map_visits``: The map of visits: how time becomes weeks, and which columns hold values of which measure and limb.
- ``map_home``: The map of the home programme (sessions, session log, brace limits, events) and of visit windows.
"""
