"""One page a clinic: its quarter against the network, from what the quarter's report releases; it names no other clinic.

- ``network``: What all pages of a network share: the quarter's study and the questions to the sites, computed once.
- ``study``: One clinic's page: its parameters, and everything that it shows.
- ``findings``: What can be said of one clinic: records, each with what was looked at.
- ``words``: The same in words; every claim of the page speaks from the findings.
- ``sections``: The clinic beside the network: In short, indicators, blocks over time, completeness.
- ``closing``: What stands below: late data, questions open, cautions, provenance, the release put on record.
- ``batch``: A page for every clinic of a network, each in a folder of its own.
"""

from analysis.report.clinic.batch import make_clinic_pages
from analysis.report.clinic.closing import cautions, late_data, provenance, questions, record_release
from analysis.report.clinic.sections import answer, completeness, indicators, over_time, subtitle
from analysis.report.clinic.study import ClinicPage, prepare_clinic

__all__ = [  # noqa: RUF022 - the order of the page
    "make_clinic_pages",  # a page for every clinic
    "prepare_clinic",  # count, hide and compute, once for all clinics
    "ClinicPage",
    "subtitle",
    "answer",
    "indicators",
    "over_time",
    "completeness",
    "late_data",
    "questions",
    "cautions",
    "provenance",
    "record_release",
]
