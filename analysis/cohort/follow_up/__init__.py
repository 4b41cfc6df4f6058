"""Follow-up: up to when the data were collected, which visits were due by then, and which were made.

- ``as_of``: Up to when the data were collected (the as-of date), and up to which week the visits of each patient were due by then.
- ``expected_visits``: Which visits were expected: the weeks of the schedule, read off the visits or named by the user.
"""
