"""RESPOND: who the patients are, who was seen, and who was expected.

- ``baseline_table``: The baseline table: who was in each protocol. No p-values: allocation is not a hypothesis.
- ``patient_flow``: Patient flow: allocated, seen at each week, lost and why, by protocol.
- ``expected_visits``: Which visits were expected: the weeks of the schedule, read off the visits or named by the
  user.
"""
