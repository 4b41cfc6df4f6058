"""What speaks against the findings of a comparison, in words; where nothing does, what was looked for."""

import numpy as np

from analysis.cohort.measures import Measure
from analysis.report.comparison.findings.finding import FEW_SEEN, Findings
from analysis.report.comparison.findings.rules import best_value
from analysis.report.comparison.prepared import Allocation
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text, shown_decimals
from analysis.report.parts.wording import MOST_LISTED, counts_by_protocol, named_or_counted

NOT_ALLOCATED = (
    "The patients were not allocated to the protocols at random, or the data do not say that they were. A difference "
    "between protocols is an association: the groups may differ in other ways that this comparison does not take out."
)
#: Characteristics named that lie apart at the start.
_MOST_IMBALANCES = 3
#: Letters of counts that a line of a slide holds.
_FEW_LETTERS = 40


def unusual_words(found: Findings, measure: Measure) -> list[str]:
    """Question means outside what groups of patients have, before they are interpreted; nothing where none is."""
    means = [
        f"{name} {numbers.number(mean, shown_decimals(measure))} {measure.unit} at week {numbers.week(week)}"
        for name, week, mean in found.unusual
    ]
    usual = numbers.interval(measure.lowest_mean, measure.highest_mean, 0)
    question = (
        f"Means lie outside what groups of patients have ({usual} {measure.unit}): {numbers.listed(means)}. Ask how it "
        "was measured before anything else is read."
    )
    return [question] if means else []


def doubts_words(found: Findings, measure: Measure, *, allocation: Allocation) -> list[str]:
    """List what speaks against the findings, a sentence each; never empty."""
    said = []
    if found.unusual:
        said.append("Means that lie outside what groups of patients have put all of this in doubt.")
    if allocation == "observational" and found.differences:
        said.append(NOT_ALLOCATED)
        if not found.start_known:
            said.append(
                "What the patients were like at the start is not in the data, so nothing of it is adjusted for."
            )
        if found.imbalance:
            furthest: dict[str, str] = {}
            for name, label, gap in found.imbalance:
                small = label if label[:2].isupper() else f"{label[:1].lower()}{label[1:]}"
                furthest.setdefault(label, f"{small} ({name}, {numbers.signed(gap, 1)} SD)")
            apart = list(furthest.values())[:_MOST_IMBALANCES]
            said.append(
                f"At the start they differ most from {found.differences[0].reference} in {numbers.listed(apart)}."
            )
    if found.opposite:
        names = numbers.listed(list(found.opposite))
        other = found.responders.endpoint.measure.label if found.responders is not None else ""
        beside = f" in {in_text(other)}" if other and other != measure.label else ""
        said.append(f"For {names} mean {in_text(measure.label)} and responders{beside} point in different directions.")
    if found.few_seen:
        few = named_or_counted([f"{one.protocol} ({one.seen})" for one in found.few_seen], len(found.seen))
        said.append(f"Fewer than {FEW_SEEN} patients were seen: {few}. Single patients can turn a result round.")
    if found.hardly_done:
        done_of = [
            f"{modality} with {name} {numbers.count(done)} of {numbers.count(asked)}"
            for name, modality, done, asked in found.hardly_done
        ]
        listed = numbers.listed(done_of) if len(done_of) <= MOST_LISTED else f"{len(done_of)} kinds, by protocol"
        said.append(f"Less than half of the home sessions prescribed were done: {listed}.")
    said += _ends(found, measure)
    turned = [one.protocol for one in found.differences if one.turned_by]
    if turned:
        said.append(f"Other assumptions about missing visits change the answer for {numbers.listed(turned)}.")
    if found.tips:
        shifts = [
            f"{numbers.number(abs(shift), shown_decimals(measure))} {measure.unit} {'higher' if shift > 0 else 'lower'} with {name}"
            for name, shift in found.tips
        ]
        said.append(
            f"The interval would hold no difference were the missed values on average {numbers.listed(shifts)} than expected."
        )
    if found.much_lost or found.losses_differ:
        said.append("Those who were not seen may have fared otherwise than those who were.")
    if said:
        return said
    if not found.seen:
        return ["Who was missed is not known, as no visit was scheduled at the week of the comparison."]
    looked_for = ["few patients seen", "a third or more lost"]
    if len(found.seen) > 1:
        looked_for.append("losses 15 points apart")
    if found.sessions_known:
        looked_for.append("less than half of the home sessions done")
    if np.isfinite([measure.lowest_mean, measure.highest_mean]).any():
        looked_for.append("means outside what groups have")
    if any(one.analyses for one in found.differences) and any(one.lost for one in found.seen):
        looked_for.append("other answers under other assumptions about missing visits")
    return [f"Looked for and not found: {numbers.listed(looked_for, 'or')}. What was not measured cannot be seen here."]


def _ends(found: Findings, measure: Measure) -> list[str]:
    """Say how many patients a score can no longer tell apart, and how many began too near its end to improve enough."""
    said = []
    if found.at_best:
        there, seen = found.at_best
        said.append(
            f"Of {numbers.plural(seen, 'patient')} seen {there} {'has' if there == 1 else 'have'} the best value there is, "
            f"{best_value(measure):g} {measure.unit}: the score cannot tell these apart."
        )
    if found.no_room and found.responders is not None:
        there, judged = found.no_room
        endpoint = found.responders.endpoint
        said.append(
            f"Of {numbers.plural(judged, 'patient')} judged {there} began too near the best {in_text(endpoint.measure.label)} "
            f"to improve by {endpoint.to_reach.value:g} {endpoint.to_reach.unit}."
        )
    return said


def harms_point(found: Findings) -> list[str]:
    """Say the same in few words, for a slide: where the counts are long the range of the shares."""
    if not found.harms:
        return []
    every = counts_by_protocol([(name, n, of) for name, n, _, of in found.harms], room=_FEW_LETTERS)
    serious = counts_by_protocol([(name, n, of) for name, _, n, of in found.harms], room=_FEW_LETTERS)
    grave = f"; serious: {serious}" if any(n for _, _, n, _ in found.harms) else ""
    return [f"Any harm on record: {every}{grave}."]


def harms_words(found: Findings) -> list[str]:
    """Say in how many patients of each protocol any harm, and a serious one, is on record; nothing without records of events."""
    if not found.harms:
        return []
    counts = [f"{name} {numbers.fraction(patients, allocated)}" for name, patients, _, allocated in found.harms]
    serious = [f"{name} {numbers.fraction(patients, allocated)}" for name, _, patients, allocated in found.harms]
    grave = f"; a serious one of: {', '.join(serious)}" if any(one for _, _, one, _ in found.harms) else ""
    return [f"Any harm is on record of: {', '.join(counts)}{grave}."]
