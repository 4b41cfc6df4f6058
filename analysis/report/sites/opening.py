"""What stands at the top of a comparison over sites: what was compared, and in short what was found."""

from __future__ import annotations

from datetime import date

from analysis.cohort.follow_up.as_of import day_in_words
from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage, Section
from analysis.report.sites.findings import (
    differences_words,
    doubts_words,
    harms_words,
    improved_words,
    seen_words,
)
from analysis.report.sites.study import SitesStudy

NOT_FOR_RELEASE = (
    "Made from sums of sites, counts from 1 to 10 among them: for the combining office, not for release as it is."
)
NO_DOUBT = "Looked for and not found: sites of the plan that sent nothing, and visits left out for small cells."


def subtitle(study: SitesStudy) -> Section:
    """Name the measure, the protocols and the sites."""
    plan = study.compared.plan
    endpoint = plan.endpoint
    patients, sites = (
        numbers.plural(study.compared.n_patients, "patient"),
        numbers.plural(study.found.sites, "site"),
    )
    lines = [
        endpoint.measure.label_on(endpoint.limb),
        f"{patients}, {sites}, {numbers.plural(len(plan.protocols), 'protocol')}",
        f"Compared with {plan.protocols[0]}, the reference of the plan.",
        f"Data up to {day_in_words(date.fromisoformat(study.pooled.as_of))}."
        if study.pooled.as_of
        else "The data do not say up to when they were collected.",
        NOT_FOR_RELEASE,
    ]
    return Section((Passage(tuple(lines), "subtitle"),))


def answer(study: SitesStudy) -> Section:
    """Say in short who was seen, what differs, who improved, what to doubt, and harms."""
    found, compared = study.found, study.compared
    doubts = doubts_words(found, study.pooled, compared) or [NO_DOUBT]
    lines = (
        seen_words(found, compared),
        " ".join(differences_words(found, compared, study.allocation)),
        " ".join(improved_words(compared)),
        " ".join(doubts),
        harms_words(compared),
    )
    return Section((Passage(tuple(line for line in lines if line), "answer"),))
