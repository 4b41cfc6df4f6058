"""The sections of a data-quality report, in their order; a cell of the notebook calls one.

- ``study``: Everything the report is made of, computed once.
- ``findings``: What was found: a record, with what was looked at; every claim of the report speaks from it.
- ``opening``: What stands at the top: what was checked, and In short, what it found in plain language.
- ``values``: Findings, impossible and unlikely values, and digit preference.
- ``visits``: Completeness, visit timing and who is lost, as figures and tables.
- ``figures``: The figures: completeness by week, and last digits.
- ``closing``: What stands at the end: methods in words, cautions, provenance.
"""

from analysis.report.quality.closing import cautions, methods, provenance
from analysis.report.quality.opening import answer, subtitle
from analysis.report.quality.study import QualityStudy, prepare_check
from analysis.report.quality.values import digits, findings, values
from analysis.report.quality.visits import completeness, lost, timing

__all__ = [  # noqa: RUF022 - the order of the report
    "prepare_check",  # load and compute, once
    "QualityStudy",
    "subtitle",
    "answer",
    "findings",
    "values",
    "completeness",
    "timing",
    "lost",
    "digits",
    "methods",
    "cautions",
    "provenance",
]
