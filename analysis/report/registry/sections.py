"""What stands at the top of a comparison over a registry and between its parts: what was read, and what the sample is."""

from __future__ import annotations

from analysis.cohort.follow_up.as_of import follow_up_words
from analysis.report.comparison.closing import caution_words
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import INVENTED, cautions_of, counts_by_protocol
from analysis.report.registry.study import MOST_SITES, RegistryParameters, RegistryStudy
from analysis.report.running.provenance import show_provenance
from analysis.report.sites.closing import methods_of_sums
from analysis.report.sites.findings import differences_words, harms_words, improved_words

#: Patients from which on it is said what their number does not make good (design choice).
_MANY = 10_000


def subtitle(study: RegistryStudy) -> Section:
    """Name the measure, the protocols and the patients."""
    plan, cohort = study.whole.compared.plan, study.survey.sample
    endpoint = plan.endpoint
    patients = numbers.plural(study.survey.n_patients, "patient")
    lines = [
        endpoint.measure.label_on(endpoint.limb),
        f"{patients} in {numbers.plural(study.survey.n_parts, 'part')}, {numbers.plural(len(plan.protocols), 'protocol')}",
        f"Compared with {plan.protocols[0]}.",
    ]
    if cohort.as_of is not None or cohort.level != "synthetic":
        lines.append(follow_up_words(cohort))
    if cohort.level == "synthetic":
        lines.append(INVENTED)
    return Section((Passage(tuple(lines), "subtitle"),))


def answer(study: RegistryStudy) -> Section:
    """Say in short who was seen, what differs, who improved, what to doubt, and harms; of all patients."""
    found, compared = study.whole.found, study.whole.compared
    lines = (
        _seen(study),
        " ".join(differences_words(found, compared, study.whole.allocation)),
        " ".join(improved_words(compared)),
        _large(study),
        harms_words(compared),
    )
    return Section((Passage(tuple(line for line in lines if line), "answer"),))


def _seen(study: RegistryStudy) -> str:
    found, plan = study.whole.found, study.whole.compared.plan
    counts = [(one.protocol, one.seen, one.allocated) for one in found.seen]
    seen, due = sum(one.seen for one in found.seen), sum(one.allocated for one in found.seen)
    at, patients = numbers.moment(plan.primary_week), numbers.plural(study.survey.n_patients, "patient")
    if not due:
        return f"{patients}; nobody was due at {at}."
    value = f"a value of {in_text(plan.endpoint.measure.label)}"
    return f"{patients}; at {at} {numbers.fraction(seen, due)} of those due had {value}: {counts_by_protocol(counts, room=220)}."


def _large(study: RegistryStudy) -> str:
    """Say what many patients do not make better."""
    if study.survey.n_patients < _MANY:
        return ""
    told = [one for one in study.whole.found.differences if one.verdict.startswith("favours")]
    if not told:
        return "That no difference is told of so many patients does not make the protocols alike: read the intervals."
    return (
        "With so many patients a difference too small to matter is told from chance; look at its size, and at who chose the "
        "protocol, which no number of patients makes good."
    )


def from_a_sample(study: RegistryStudy) -> Section:
    """Say what the rest is made from."""
    drawn, of = len(study.survey.sample.patients), study.survey.n_patients
    if drawn == of:
        return Section((Passage((f"What follows needs rows: it is of all {numbers.plural(of, 'patient')}.",)),))
    text = (
        f"What follows needs rows. It is of {numbers.count(drawn)} of {numbers.plural(of, 'patient')}, drawn at random with seed "
        f"{study.survey.seed}; its numbers differ by chance from those of all patients above, which count."
    )
    return Section((Passage((text,)),))


def methods(study: RegistryStudy) -> Section:
    """Say in words how the numbers came about."""
    on_record = numbers.plural(len(study.survey.sites), "site")
    site = (
        "The curves are adjusted for the site."
        if study.adjusted_for_site
        else f"The curves are not adjusted for the site: {on_record} on record, and they are where there are 2 to {MOST_SITES}."
    )
    how = "All parts were read twice, one at a time: first what they hold, then their sums by one plan. No visits were left out for small cells."
    return Section((Passage((how, site, *methods_of_sums(study.whole.compared)), "items"),))


def cautions(study: RegistryStudy) -> Section:
    """Say what the report must not be used for."""
    found = study.whole.found
    said = caution_words(
        allocation=study.whole.allocation,
        invented=study.survey.sample.level == "synthetic",
        sizes={one.protocol: one.seen for one in found.seen},
        missing={one.protocol: (one.allocated - one.seen, one.allocated) for one in found.seen}
        if found.differences
        else {},
        responders=[study.whole.compared.responders]
        if study.whole.compared.plan.endpoint.threshold is not None
        else [],
    )
    return Section((cautions_of(said),))


def provenance(study: RegistryStudy, report: str) -> Section:
    """Say what the report was made from and how to make it again.

    Parameters
    ----------
    study : RegistryStudy
        The comparison.
    report : str
        Name of the report.
    """
    changed = RegistryParameters.changed(study.parameters)
    return show_provenance(
        study.survey.sample, study.folder, report=report, parameters=study.parameters, changed=changed
    )
