"""The sections of a protocol comparison, in their order; a cell of the notebook calls one.

- ``prepared``: What every protocol comparison begins with: its parameters, the cohort, curves, responders, who was
  seen, harms.
- ``study``: Everything that a protocol comparison states, each result computed once, when it is first asked for;
  sections show it.
- ``opening``: What stands at the top of a protocol comparison: what was compared, and the answer in plain language.
- ``outcomes``: The outcomes of a comparison: measurements as seen, recovery curves, differences, responders.
- ``patients``: Who the patients of a comparison were, and who stayed: flow and baseline.
- ``programme``: What was done at home, what went wrong, and what is missing.
- ``doses``: The home programme as it was planned and as it was done, by modality and protocol.
- ``estimand``: What a protocol comparison estimates, in words: population, protocols, outcome, intercurrent events,
  summary.
- ``sensitivity``: Whether the finding hangs on who was missing, the error of measurement or the fit of the model: for
  the appendix.
- ``other_counts``: The responder analysis counted in other ways, for the appendix: adjusted, repeated, kept, both
  directions, symmetry.
- ``counted_or_expected``: Why the responders counted and those expected can tell two stories, said where they do.
- ``home_detail``: Home sessions and recovery in more detail: for the appendix, each number labelled by what it can and
  cannot say.
- ``checklist``: Which items that journals ask for stand in a protocol comparison, where, and which are not known from
  the data.
- ``closing``: What stands at the end of a protocol comparison: methods in words, cautions, provenance.
"""

from analysis.report.comparison.checklist import checklist
from analysis.report.comparison.closing import cautions, methods, provenance
from analysis.report.comparison.doses import doses
from analysis.report.comparison.estimand import estimand
from analysis.report.comparison.home_detail import adherence_detail, dose_and_recovery, gap
from analysis.report.comparison.opening import answer, findings, subtitle
from analysis.report.comparison.other_counts import other_counts, symmetry
from analysis.report.comparison.outcomes import differences, measurements, recovery, responder_analysis
from analysis.report.comparison.patients import baseline, flow
from analysis.report.comparison.programme import harms, home_programme, missing
from analysis.report.comparison.sensitivity import model_checks, probability, sensitivity
from analysis.report.comparison.study import Study, prepare_study

__all__ = [  # noqa: RUF022 - the order of the report
    "prepare_study",  # load and compute, once
    "Study",
    "subtitle",
    "answer",
    "estimand",
    "flow",
    "baseline",
    "measurements",
    "recovery",
    "differences",
    "responder_analysis",
    "doses",
    "home_programme",
    "harms",
    "missing",
    "methods",
    "cautions",
    "provenance",
    "checklist",
    # appendix
    "findings",
    "sensitivity",
    "other_counts",
    "probability",
    "symmetry",
    "gap",
    "adherence_detail",
    "dose_and_recovery",
    "model_checks",
]
