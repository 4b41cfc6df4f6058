"""What a comparison over sites found: records with what was looked at, and the sentences that speak from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.counted import form
from analysis.curves.covariates import adjusted_in_words
from analysis.outcomes.home_programme.events import OTHER, SERIOUS
from analysis.pooled.agreed import SITE
from analysis.report.comparison.findings.finding import Difference, Mean, Seen
from analysis.report.comparison.findings.responder_words import responders_words
from analysis.report.comparison.findings.rules import verdict_of
from analysis.report.comparison.findings.words import difference_words
from analysis.report.parts import numbers
from analysis.report.parts.numbers import capitalised, in_text
from analysis.report.parts.wording import NO_HARMS_RECORDED, counts_by_protocol

if TYPE_CHECKING:
    from analysis.pooled.comparison import PooledComparison
    from analysis.pooled.sites.combining import PooledSites
    from analysis.report.comparison.parameters import Allocation


@dataclass(frozen=True)
class SitesFindings:
    """What was found.

    Attributes
    ----------
    sites, of : int
        Sites that sent something, and sites of the plan.
    seen : tuple of Seen
        Patients with a value at the primary week, by protocol; those not yet due are not asked for.
    differences : tuple of Difference
        At the primary week, adjusted for their number.
    means : tuple of Mean
        Model means at the primary week.
    left_out, with_visits : int
        Patients whose visits are in no curve for the rule of small cells, of all with visits of the curves.
    in_curves : tuple of Seen
        By protocol the patients whose value at the primary week is in the curves, of those who have one.
    only_complete : bool
        Whether the curves hold only patients who were seen at every week.
    wider : float
        About how many times as wide the intervals of the curves are for that: by the patients alone.
    """

    sites: int
    of: int
    seen: tuple[Seen, ...]
    differences: tuple[Difference, ...]
    means: tuple[Mean, ...]
    left_out: int
    with_visits: int
    in_curves: tuple[Seen, ...]
    only_complete: bool
    wider: float


def find(pooled: PooledSites, compared: PooledComparison) -> SitesFindings:
    """Judge what the results say, by the rules of a comparison from rows."""
    plan, measure = compared.plan, compared.plan.endpoint.measure
    week = plan.primary_week
    by_week = compared.flow.by_week
    at = by_week[by_week["week"] == week]
    seen = {
        str(row["protocol"]): Seen(str(row["protocol"]), int(row["seen"]), int(row["due"]))
        for row in at.to_dict("records")
    }
    means: tuple[Mean, ...] = ()
    differences: tuple[Difference, ...] = ()
    if len(compared.primary):
        rows = compared.means[compared.means["week"] == week].to_dict("records")
        means = tuple(
            Mean(str(row["protocol"]), float(row["estimate"]), float(row["lower"]), float(row["upper"])) for row in rows
        )
        by_name = {one.protocol: one.estimate for one in means}
        among = len(compared.primary)
        for row in compared.primary.to_dict("records"):
            protocol, reference = str(row["protocol"]), str(row["reference"])
            limits = float(row["lower"]), float(row["upper"])
            both = by_name.get(protocol, np.nan), by_name.get(reference, np.nan)
            own, other = (_in_curves(seen.get(name), rows, name) for name in (protocol, reference))
            verdict = verdict_of(*limits, measure, (own, other), both, None)
            differences += (
                Difference(
                    protocol, reference, week, float(row["estimate"]), *limits, float(row["p_value"]), among, own, other, verdict, *both, 0, 0
                ),
            )  # fmt: skip
    moments = pooled.moments
    whole = compared.left_out + (0 if moments is None else moments.n_patients)
    wider = float(np.sqrt(whole / compared.n_in_curves)) if compared.n_in_curves else float("nan")
    complete = moments is not None and bool(moments.seen[:, moments.seen.any(axis=0)].all())
    at_week = compared.means[compared.means["week"] == week] if len(compared.means) else None
    held = (
        {} if at_week is None else dict(zip(at_week["protocol"].astype("str"), at_week["n"].astype(int), strict=True))
    )
    return SitesFindings(
        sites=len(pooled.sites),
        of=len(plan.sites),
        seen=tuple(seen.values()),
        differences=differences,
        means=means,
        left_out=compared.left_out,
        with_visits=whole,
        in_curves=tuple(
            Seen(one.protocol, min(held.get(one.protocol, 0), one.seen), one.seen) for one in seen.values()
        ),
        only_complete=bool(compared.left_out and compared.n_in_curves and complete),
        wider=wider,
    )


def _in_curves(seen: Seen | None, means: Sequence[dict[Any, Any]], protocol: str) -> Seen | None:
    """Give of those due the patients whose value at the week is in the curves: who was left out of them is lost to them."""
    if seen is None:
        return None
    held = next((int(row["n"]) for row in means if str(row["protocol"]) == protocol), 0)
    return Seen(protocol, min(held, seen.seen), seen.allocated)


def seen_words(found: SitesFindings, compared: PooledComparison) -> str:
    """Say from how many sites and patients, and who was seen at the primary week."""
    plan = compared.plan
    sites = numbers.plural(found.sites, "site")
    of = sites if found.sites == found.of else f"{found.sites} of {numbers.plural(found.of, 'site')}"
    who = f"{numbers.plural(compared.n_patients, 'patient')} of {of}."
    counts = [(one.protocol, one.seen, one.allocated) for one in found.seen]
    seen, due = sum(one.seen for one in found.seen), sum(one.allocated for one in found.seen)
    at = numbers.moment(plan.primary_week)
    if not due:
        return f"{who} Nobody was due at {at}."
    value = f"a value of {in_text(plan.endpoint.measure.label)}"
    return f"{who} At {at}, {numbers.fraction(seen, due)} of those due had {value}: {counts_by_protocol(counts, room=220)}."


def differences_words(found: SitesFindings, compared: PooledComparison, allocation: Allocation) -> list[str]:
    """Say what each difference supports; who could not be compared; and who was seen and is in no curve."""
    at = numbers.moment(compared.plan.primary_week)
    if not found.differences:
        nobody = f"Nobody in the curves was seen at {at}, so protocols are not compared there."
        return [nobody if len(compared.differences) else "No protocols could be compared by their curves."]
    measure, level = compared.plan.endpoint.measure, compared.plan.endpoint.level
    held = {one.protocol: one for one in found.in_curves}
    said, told = [], False
    for one in found.differences:
        both = [held[name] for name in (one.protocol, one.reference) if name in held]
        gone = [who.protocol for who in both if not who.seen and who.allocated]
        if one.verdict == "not compared" and gone:
            said.append(
                f"{capitalised(one.protocol)} could not be compared with {one.reference} at {at}: the curves hold nobody of "
                f"{numbers.listed(gone)} then."
            )
            continue
        fewer = bool(found.left_out) or any(who.seen < who.allocated for who in both)
        if one.verdict == "no conclusion" and fewer and one.seen and one.reference_seen:
            due = [
                f"{who.protocol} {numbers.fraction(who.seen, who.allocated)}" for who in (one.seen, one.reference_seen)
            ]
            said.append(
                f"No conclusion about {one.protocol} against {one.reference} from the curves, which hold too few of those due: "
                f"{numbers.listed(due)}."
            )
            continue
        said.append(difference_words(one, measure, level=level, allocation=allocation, again=told))
        told = told or one.verdict != "not compared"
    names = {name for one in found.differences for name in (one.protocol, one.reference)}
    if without := [one.protocol for one in found.seen if one.protocol not in names]:
        who = numbers.listed(without)
        said.append(f"{capitalised(who)} could not be compared: the curves hold nobody of {who}.")
    return [*said, *_not_in_curves_words(found, compared)]


def _not_in_curves_words(found: SitesFindings, compared: PooledComparison) -> list[str]:
    """Say how many with a value at the primary week are in no curve, and why; nothing where all are in them."""
    held, seen = (sum(getattr(one, name) for one in found.in_curves) for name in ("seen", "allocated"))
    if held == seen:
        return []
    known = {"protocol", *([SITE] if compared.plan.sites else [])}  # a site names itself
    columns = [adjusted_in_words([one.name]) for one in compared.plan.moments.covariates if one.name not in known]
    lacks = f"lack {' or '.join(columns)}" if columns else ""
    few = "are left out as few share their pattern" if found.left_out else ""
    why, at = " or ".join(filter(None, (lacks, few))), numbers.moment(compared.plan.primary_week)
    return [
        f"The curves hold {numbers.fraction(held, seen)} of those with a value at {at}{f'; the others {why}' if why else ''}."
    ]


def improved_words(compared: PooledComparison) -> list[str]:
    """Say who reached the threshold."""
    return [] if compared.plan.endpoint.threshold is None else responders_words(compared.responders)


def left_out_words(found: SitesFindings, compared: PooledComparison) -> list[str]:
    """Say whose visits are in no curve, and what that costs; nothing where all are."""
    if not found.left_out:
        return []
    plan = compared.plan
    rule = "over all sites" if plan.kept is not None else "at their site"
    n = numbers.fraction(found.left_out, found.with_visits)
    only = " The curves hold only patients who were seen at every week." if found.only_complete else ""
    said = (
        f"Of the patients with visits {n} are in no curve, as fewer than {plan.k} {rule} share their pattern of visits or a level "
        f"within it.{only} Others may fare otherwise"
    )
    if numbers.is_missing(found.wider):
        return [f"{said}, and no curve is left."]
    return [f"{said}; by their number alone the intervals are about {numbers.number(found.wider, 2)} times as wide."]


def missing_sites_words(pooled: PooledSites) -> list[str]:
    """Say which sites of the plan sent nothing."""
    gone = pooled.without
    if not gone:
        return []
    return [f"{numbers.listed(gone)} {form(len(gone), 'has', 'have')} sent nothing: what holds there is not known."]


def harms_words(compared: PooledComparison) -> str:
    """Say how many patients have a harm on record, of those whose harms were recorded."""
    events = compared.events
    if not events.recorded:
        return NO_HARMS_RECORDED
    of = (
        ""
        if compared.records_events == compared.n_patients
        else (
            f" Of {numbers.plural(compared.n_patients, 'patient')} {numbers.count(compared.records_events)} are at sites that record events."
        )
    )
    said, unsaid = [], compared.records_events - compared.records_seriousness
    if unsaid and events.table.loc[events.table["event"] == OTHER, "patients"].sum():
        whose = numbers.plural(unsaid, "patient")
        of += (
            f" At sites with {whose} it is not said which events were serious: only those so by their name are counted."
        )
    for kind in (SERIOUS, OTHER):
        rows = events.table[events.table["event"] == kind]
        counts = list(zip(rows["protocol"], rows["patients"], rows["allocated"], strict=True))
        if rows["patients"].sum():
            said.append(f"{kind}: {counts_by_protocol(counts, room=160)}")
        else:
            said.append(f"{kind}: none on record of {numbers.plural(rows['allocated'].sum(), 'patient')}")
    return f"Patients with {'; '.join(said)}.{of} What was not recorded cannot be seen."


def doubts_words(found: SitesFindings, pooled: PooledSites, compared: PooledComparison) -> list[str]:
    """List what speaks against the findings, the weightiest first."""
    return [*missing_sites_words(pooled), *left_out_words(found, compared)]


def title_words(found: Sequence[Difference]) -> str:
    """Say in few words what was found, for the title of a slide."""
    if not found:
        return "No protocols could be compared by their curves"
    favoured = [one for one in found if one.verdict.startswith("favours")]
    n = numbers.plural(len(found), "comparison")
    if any(one.verdict == "no conclusion" for one in found):
        return (
            f"The curves hold too few for a conclusion in {sum(one.verdict == 'no conclusion' for one in found)} of {n}"
        )
    return f"A difference is told in {len(favoured)} of {n} with {found[0].reference}"
