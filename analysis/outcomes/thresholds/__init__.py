"""RESPOND: differences that matter to patients: found, chosen, and the error of measurement.

- ``chosen_threshold``: The threshold of a responder analysis: chosen from the catalogue or given, always said where
  it comes from.
- ``found_thresholds``: Thresholds of change found in data: from an anchor, and apart from that from the spread and
  error of the score.
- ``anchor_methods``: Thresholds of change from an anchor: the numbers of every method for many weighted samples at
  once.
- ``anchor_quality``: How good an anchor is: its classes, its direction, its correlation with change, baseline and
  follow-up.
- ``reliability``: Reliability from test-retest data: intraclass correlation, error of measurement, detectable change,
  agreement.
"""
