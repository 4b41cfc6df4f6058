"""What a cohort is made from: scenarios as parameters with sources, and as files.

- ``scenario``: What a cohort is made from: frozen parameters, each with its source.
- ``scenario_parts``: The parts of a scenario: frozen parameters, from the patients to what goes missing.
- ``scenario_rules``: Rules that a scenario must keep, so that a wrong parameter is found before a cohort is made from it.
- ``scenario_files``: Read scenarios: from the files that come with the kit, from a user's own file, or from plain data.
"""
