"""Data quality of a cohort: completeness, timing, values and changes, digits, and who is lost.

- ``completeness``: How many of the values that were expected are there, by measure, week, protocol and site.
- ``timing``: Which weeks were attended, how far from the scheduled week, which visits were unscheduled.
- ``value_rules``: Rules for values as data: read from a file, checked with pandera, every failure in one table.
- ``unlikely_changes``: Changes between two visits that go against the trend by more than the error of measurement.
- ``digits``: Digit preference: whether recorded values end in some digits more often than in others.
- ``lost``: Who is lost: patterns of missed visits, and drop-out beside the baseline.
- ``site_export``: Findings as CSV files for the sites that must answer: one a site, safe to open in a spreadsheet.
- ``reidentify``: The way back for whoever holds the key: the site's own patient number beside each row of questions.
"""

from analysis.quality.completeness import completeness, expected_values
from analysis.quality.digits import digit_preference, digits_by_site
from analysis.quality.lost import PATTERNS, lost_by_baseline, patterns_by_protocol, visit_patterns
from analysis.quality.reidentify import reidentify
from analysis.quality.site_export import all_findings, export_findings, write_findings
from analysis.quality.timing import visit_timing
from analysis.quality.unlikely_changes import changes_judged, unlikely_changes, without_detectable_change
from analysis.quality.value_rules import ValueRule, check_values, read_value_rules

__all__ = [
    "PATTERNS",
    "ValueRule",
    "all_findings",
    "changes_judged",
    "check_values",
    "completeness",
    "digit_preference",
    "digits_by_site",
    "expected_values",
    "export_findings",
    "lost_by_baseline",
    "patterns_by_protocol",
    "read_value_rules",
    "reidentify",
    "unlikely_changes",
    "visit_patterns",
    "visit_timing",
    "without_detectable_change",
    "write_findings",
]
