"""What a team agreed on, carried from release to release: targets, changes made, and actions.

- ``quarter_file``: The quarter file: targets, changes made and actions of a team, in TOML, beside the cohort.
- ``targets``: Targets of indicators, as a parameter or a quarter file gives them.
- ``changes``: Changes made, in a period of the data.
"""
