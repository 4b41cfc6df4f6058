"""RESPOND: differences that matter to patients: found, chosen, and the error of measurement.

- ``chosen_threshold``: the threshold of a responder analysis: chosen from the catalogue or given, with its source.
- ``anchored_changes``: changes of a cohort beside the patients' own judgement of them.
- ``found_thresholds``: found in data: from an anchor, and apart from that from the spread and error of the score.
- ``anchor_methods``: from an anchor, the numbers of every method for many weighted samples at once.
- ``anchor_quality``: how good an anchor is: its classes, its direction, its correlation with change.
- ``reliability``: from test-retest data: intraclass correlation, error of measurement, detectable change, agreement.
"""
