"""The sections of a comparison over sites that share no row, in their order; a cell of the notebook calls one.

- ``study``: Everything the report is made of, computed once.
- ``findings``: What was found: records, and the sentences that speak from them.
- ``opening``: What stands at the top: what was compared, and In short.
- ``patients``: The sites, flow and baseline.
- ``outcomes``: Recovery curves, differences and responders.
- ``programme``: Harms, missing visits, home sessions.
- ``curves_figure``: The figure of the model means by week.
- ``closing``: What stands at the end: what needs rows, methods, cautions, provenance.
"""

from analysis.report.sites.closing import cautions, methods, needs_rows, provenance
from analysis.report.sites.opening import answer, subtitle
from analysis.report.sites.outcomes import differences, recovery, responder_analysis
from analysis.report.sites.patients import baseline, flow, sites
from analysis.report.sites.programme import harms, home_programme, missing
from analysis.report.sites.study import SitesStudy, prepare_sites

__all__ = [  # noqa: RUF022 - the order of the report
    "prepare_sites",  # load and compute, once
    "SitesStudy",
    "subtitle",
    "answer",
    "sites",
    "flow",
    "baseline",
    "recovery",
    "differences",
    "responder_analysis",
    "harms",
    "missing",
    "home_programme",
    "needs_rows",
    "methods",
    "cautions",
    "provenance",
]
