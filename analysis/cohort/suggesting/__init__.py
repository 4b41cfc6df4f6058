"""LOAD: a first map of a clinic's file, suggested from the names of its columns and what stands in them.

- ``suggest_map``: A first map file, written from the columns that a file has, with comments where it is not sure.
- ``ask``: Each line that is not sure, asked at a terminal, and the answers written into the map.
- ``questions``: What may be answered, and the line that an answer makes.
- ``sheets``: Which sheets of a workbook a suggested map takes.
- ``time``: The time of a suggested map: a column of weeks, the names of visits, or dates.
- ``values``: The values of a suggested map: wide columns, long columns with their baseline, measures below each other.
- ``home``: The sections of a suggested map about the home programme: a session log, or weekly counts.
- ``map_text``: The text of a suggested map file: TOML with comments where a person must look.
"""
