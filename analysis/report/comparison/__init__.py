"""The sections of a protocol comparison, in their order; a cell of the notebook calls one.

- ``responder_choice``: Which responder analyses a comparison has: what was asked for, or what fits the measure.
- ``parameters``: What a comparison is asked, each parameter declared once; what is taken where one names nothing.
- ``prepared``: What every comparison begins with: the cohort, curves, responders, who was seen, harms.
- ``results``: What sections show that is made of several results; and what the data lack for one.
- ``counted``: What is shown of responders, of the gap and the symmetry to the other limb; and the joint models.
- ``study``: Everything that a comparison states, each result computed once, when it is first asked for.
- ``opening``: What stands at the top: what was compared, and In short, the answer in plain language.
- ``estimand``: What is estimated, in words: population, protocols, outcome, intercurrent events, summary.
- ``patients``: Who the patients were, and who stayed: flow and baseline.
- ``outcomes``: The outcomes: measurements as seen, recovery curves, differences, responders.
- ``several_outcomes``: Beyond the one outcome: secondary ones in order, and groups of patients.
- ``doses``: The home programme as it was planned and as it was done, by modality and protocol.
- ``programme``: What was done at home, what went wrong (harms), and what is missing.
- ``closing``: What stands at the end: methods in words, cautions, provenance.
- ``checklist``: Which items that journals ask for are met, where, and which are not known from the data.

The room ``appendix`` has the sections of the appendix. The room ``findings`` has what was found,
by which rules and in which words; In short and the titles of slides speak from it. The room ``balanced`` has, where nobody
drew lots, the comparison among patients made alike.
"""

from analysis.report.comparison.appendix.home_detail import adherence_detail, dose_and_recovery, gap
from analysis.report.comparison.appendix.other_counts import other_counts, symmetry
from analysis.report.comparison.appendix.sensitivity import model_checks, probability, sensitivity
from analysis.report.comparison.balanced.sections import balanced_comparison
from analysis.report.comparison.checklist import checklist
from analysis.report.comparison.closing import cautions, methods, provenance
from analysis.report.comparison.doses import doses
from analysis.report.comparison.estimand import estimand
from analysis.report.comparison.opening import answer, every_finding, subtitle
from analysis.report.comparison.outcomes import differences, measurements, recovery, responder_analysis
from analysis.report.comparison.patients import baseline, flow
from analysis.report.comparison.programme import harms, home_programme, missing
from analysis.report.comparison.several_outcomes import several_outcomes, subgroup_differences
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
    "balanced_comparison",
    "responder_analysis",
    "several_outcomes",
    "subgroup_differences",
    "doses",
    "home_programme",
    "harms",
    "missing",
    "methods",
    "cautions",
    "provenance",
    "checklist",
    # appendix
    "every_finding",
    "sensitivity",
    "other_counts",
    "probability",
    "symmetry",
    "gap",
    "adherence_detail",
    "dose_and_recovery",
    "model_checks",
]
