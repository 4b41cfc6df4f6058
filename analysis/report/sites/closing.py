"""What stands at the end of a comparison over sites: what needs rows, methods in words, cautions, provenance."""

from __future__ import annotations

import pandas as pd

from analysis.cohort import Cohort
from analysis.curves.covariates import adjusted_in_words
from analysis.pooled.comparison import NEEDS_ROWS, PooledComparison
from analysis.report.comparison.closing import caution_words
from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import Caution, cautions_of
from analysis.report.running.provenance import show_provenance
from analysis.report.sites.study import SitesParameters, SitesStudy

NO_ANONYMISATION = Caution(
    "Sums are no anonymous data: counts of few patients are among them, and two cuts of the same sites tell of who came between. The number "
    "from which on a cell is not called small is a convention. The data-protection officers of the sites decide what may be shown to whom.",
    "Sums are no anonymous data; the data-protection officers decide.",
)


def needs_rows(study: SitesStudy) -> Section:  # noqa: ARG001 - every section takes the study
    """Name what a comparison from rows has and this one has not."""
    return Section(
        (Passage(("Only rows of patients would give the following, so it is not here:",)), Passage(NEEDS_ROWS, "items"))
    )


def methods(study: SitesStudy) -> Section:
    """Say in words how the numbers came about."""
    plan, pooled = study.compared.plan, study.pooled
    how = (
        "Each site masked its numbers with seeds that it shares with every other one, so that only the sums over all sites are known."
        if pooled.masked
        else "Each site sent its own sums to the combining office."
    )
    rule = (
        f"Before, patterns of visits and levels were counted over all sites; patients of those that fewer than {plan.k} have are in no curve."
        if plan.kept is not None
        else f"Each site left out of the curves the patients whose pattern of visits, or a level within it, fewer than {plan.k} of its patients "
        "have, or said that its file may hold them."
    )
    wider = (
        "How much wider intervals are for visits left out: the square root of all patients with visits over those in the curves; an "
        "approximation, as weeks and protocols differ."
    )
    agreed = f"Plan {plan.digest}: all sites counted by it, and a file that did not fit was refused. {how}"
    return Section((Passage((agreed, rule, wider, *methods_of_sums(study.compared)), "items"),))


def methods_of_sums(compared: PooledComparison) -> list[str]:
    """Say in words how a comparison from sums is made, whoever the parts are."""
    plan = compared.plan
    covariates = [one.name for one in plan.moments.covariates if one.name != "protocol"]
    adjusted = f"adjusted for {adjusted_in_words(covariates)}" if covariates else "not adjusted"
    curves = (
        f"Recovery curves: mixed model by week, protocol by week as categories, {adjusted}; {compared.covariance or 'none fitted'}. "
        "Fitted to sums of cross-products by pattern of visits, which give what the rows of the same patients give."
    )
    responders = (
        "Responders: shares with Wilson's score interval (J Am Stat Assoc 1927;22:209); differences of shares with Newcombe's "
        "method 10 (Stat Med 1998;17:873). Means: t intervals of the patients seen, differences by Welch."
    )
    told = [one for one in compared.notes if one.startswith(("An unstructured", "Tried", "Warning", "No curve"))]
    return [f"What is counted: {plan.endpoint.words}", curves, responders, *told]


def cautions(study: SitesStudy) -> Section:
    """Say what the report must not be used for."""
    found = study.found
    said = caution_words(
        allocation=study.allocation,
        invented=False,
        sizes={one.protocol: one.seen for one in found.seen},
        missing={one.protocol: (one.allocated - one.seen, one.allocated) for one in found.seen}
        if found.differences
        else {},
        responders=[study.compared.responders] if study.compared.plan.endpoint.threshold is not None else [],
    )
    return Section((cautions_of([*said, NO_ANONYMISATION]),))


def provenance(study: SitesStudy, report: str) -> Section:
    """Say what the report was made from and how to make it again.

    Parameters
    ----------
    study : SitesStudy
        The comparison.
    report : str
        Name of the report.
    """
    no_rows = Cohort(
        pd.DataFrame({"patient_id": [], "protocol": []}),
        pd.DataFrame({"patient_id": [], "week": [], "measure": [], "limb": [], "value": []}),
        privacy="limited",
    )
    changed = SitesParameters.changed(study.parameters)
    sites = Passage((f"Sums of {numbers.listed(list(study.pooled.sites['site']))}.",))
    return Section(
        (sites, *show_provenance(no_rows, study.folder, report=report, parameters=study.parameters, changed=changed))
    )
