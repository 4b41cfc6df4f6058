"""A comparison by a plan: how the plan is made before the outcomes are looked at, and what of it a report did otherwise.

- ``contents``: What an analysis consists of, laid out as a plan says it: of one that is planned, and of one that was done.
- ``making``: Make the plan of a comparison from its design.
- ``following``: Hold what was done against the plan, point by point.
"""
