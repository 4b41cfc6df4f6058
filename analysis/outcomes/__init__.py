"""RESPOND: change, responders, adherence and missing data."""
