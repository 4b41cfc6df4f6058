"""What speaks against the findings of a comparison, in words; where nothing does, what was looked for."""

import math

import numpy as np

from analysis.cohort.measures import Measure
from analysis.counted import form
from analysis.report.comparison.findings.balanced_words import controls_apart, few_carry_words, unlisted_words
from analysis.report.comparison.findings.finding import FEW_SEEN, Findings
from analysis.report.comparison.findings.patient_rules import best_value
from analysis.report.comparison.findings.words import is_below_error
from analysis.report.comparison.parameters import Allocation
from analysis.report.parts import numbers
from analysis.report.parts.numbers import capitalised, in_text, shown_decimals
from analysis.report.parts.wording import MOST_LISTED, NO_HARMS_RECORDED, counts_by_protocol, named_or_counted

NOT_ALLOCATED = (
    "Where patients were not allocated to the protocols at random a difference between protocols is an association: the "
    "groups may differ in other ways that this comparison does not take out."
)
#: Characteristics named that lie apart at the start.
_MOST_IMBALANCES = 3
#: Letters of counts that a line of a slide holds.
_FEW_LETTERS = 80


def unusual_words(found: Findings, measure: Measure) -> list[str]:
    """Question means outside what groups of patients have, before they are interpreted; nothing where none is."""
    means = [
        f"{name} {numbers.number(mean, shown_decimals(measure))} {measure.unit} at {numbers.moment(week)}"
        for name, week, mean in found.unusual
    ]
    usual = numbers.interval(measure.lowest_mean, measure.highest_mean, 0)
    question = (
        f"Means lie outside what groups of patients have ({usual} {measure.unit}): {numbers.listed(means)}, of the patients seen. Ask how it "
        "was measured before anything else is read."
    )
    return [question] if means else []


def doubts_words(found: Findings, measure: Measure, *, allocation: Allocation) -> list[str]:
    """List what speaks against the findings, a sentence each; never empty.

    Those that change the reading most come first: what was planned otherwise, who was lost, what was measured, answers that
    turn, the allocation, few patients, findings that contradict each other, and then what blurs a finding.
    """
    said = [*_by_plan(found)]
    if found.much_lost or found.losses_differ:
        said.append("Those who were not seen may have fared otherwise than those who were.")
    if found.unusual:
        said.append("Means that lie outside what groups of patients have put all of this in doubt.")
    turned = [f"{one.protocol} ({one.turned_by} of {one.analyses})" for one in found.differences if one.turned_by]
    unbalanced = "by the curves, " if found.balanced else ""
    if turned:
        said.append(
            f"{capitalised(f'{unbalanced}analyses')} with other assumptions about missing visits change the answer for "
            f"{named_or_counted(turned, len(found.differences))}."
        )
    if allocation == "observational" and found.differences:
        said.append(_not_allocated(found))
        if controls_apart(found):
            label = in_text(found.controls[0].measure.label)
            said.append(f"The negative control, {label}, differs too: something was not made alike.")
        said += filter(None, [few_carry_words(found), unlisted_words(found)])
    if found.few_seen:
        few = named_or_counted([f"{one.protocol} ({one.seen})" for one in found.few_seen], len(found.seen))
        said.append(f"Fewer than {FEW_SEEN} patients were seen: {few}. Single patients can turn a result round.")
    if found.opposite:
        names = numbers.listed(list(found.opposite))
        other = found.responders.endpoint.measure.label if found.responders is not None else ""
        beside = f" in {in_text(other)}" if other and other != measure.label else ""
        said.append(f"For {names} mean {in_text(measure.label)} and responders{beside} point in different directions.")
    if found.tips:
        shifts = [
            f"{numbers.number(abs(shift), shown_decimals(measure))} {measure.unit} {'higher' if shift > 0 else 'lower'} with {name}"
            for name, shift in found.tips
        ]
        said.append(
            f"{capitalised(f'{unbalanced}the interval')} would hold no difference were the missed values on average "
            f"{numbers.listed(shifts)} than expected."
        )
    if found.hardly_done:
        done_of = [
            f"{modality} with {name} {numbers.count(done)} of {numbers.count(asked)}"
            for name, modality, done, asked in found.hardly_done
        ]
        listed = numbers.listed(done_of) if len(done_of) <= MOST_LISTED else f"{len(done_of)} kinds, by protocol"
        said.append(f"Less than half of the home sessions prescribed were done: {listed}.")
    said += [*_ends(found, measure), *_error_of_measurement(found, measure)]
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
    if found.by_plan is not None:
        looked_for.append("deviations from the analysis plan")
    if any(one.analyses for one in found.differences) and any(one.lost for one in found.seen):
        looked_for.append("other answers under other assumptions about missing visits")
    return [f"Looked for and not found: {numbers.listed(looked_for, 'or')}. What was not measured cannot be seen here."]


def _by_plan(found: Findings) -> list[str]:
    """Say in how many points the analysis is another one than was planned."""
    deviations, points = found.by_plan or (0, 0)
    if not deviations:
        return []
    verb = form(deviations, "differs")
    return [
        f"Of {numbers.plural(points, 'point')} of the analysis plan {deviations} {verb} in this report: see Methods in words."
    ]


def _not_allocated(found: Findings) -> str:
    """Say as one doubt what follows where nobody drew lots: nothing of the start may be known, or groups lie apart there."""
    said = ["The patients were not allocated at random, or the data do not say so: a difference is an association."]
    if not found.start_known and not found.balanced:
        said.append("What the patients were like at the start is not in the data, so nothing of it is adjusted for.")
    if found.imbalance:
        furthest: dict[str, str] = {}
        for name, label, gap in found.imbalance:
            small = label if label[:2].isupper() else f"{label[:1].lower()}{label[1:]}"
            furthest.setdefault(label, f"{small} ({name}, {numbers.signed(gap, 1)} SD)")
        apart = list(furthest.values())[:_MOST_IMBALANCES]
        before = "Before balancing" if found.balanced else "At the start"
        said.append(f"{before} they differ most from {found.differences[0].reference} in {numbers.listed(apart)}.")
    return " ".join(said)


def _error_of_measurement(found: Findings, measure: Measure) -> list[str]:
    """Say which differences, and which threshold, are less than what can be told of one patient."""
    said = []
    small = [one.protocol for one in found.compared if is_below_error(one, measure)]
    if small:
        names = named_or_counted(small, len(found.compared))
        said.append(
            f"In one patient a change as large as the difference of {names} could not be told from the error of "
            f"measurement (up to {measure.smallest_threshold('MDC'):g} {measure.unit})."
        )
    endpoint = found.responders.endpoint if found.responders is not None and found.responders.table["n"].any() else None
    if endpoint is None or endpoint.criterion != "improvement":
        return said
    detectable = endpoint.measure.smallest_threshold("MDC") or 0.0
    if endpoint.to_reach.value < detectable:
        said.append(
            f"The threshold of improvement is less than the error of measurement in one patient (up to {detectable:g} "
            f"{endpoint.to_reach.unit}), so some may have been counted by that error alone."
        )
    return said


def _ends(found: Findings, measure: Measure) -> list[str]:
    """Say how many patients a score can no longer tell apart, and how many began too near its end to improve enough."""
    said = []
    if found.at_best:
        there, seen = found.at_best
        said.append(
            f"Of {numbers.plural(seen, 'patient')} seen {there} {form(there, 'has')} the best value there is, "
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


def harms_words(found: Findings, *, few: bool = False) -> str:
    """Say in how many patients of each protocol a serious harm and another one is on record, or that none were recorded.

    ``few`` is for a slide: where the counts are long, the range of the shares.
    """
    if not found.harms:
        return NO_HARMS_RECORDED
    room = _FEW_LETTERS if few else math.inf
    serious = counts_by_protocol([(name, n, of) for name, n, _, of in found.harms], room=room)
    other = counts_by_protocol([(name, n, of) for name, _, n, of in found.harms], room=room)
    return f"Serious harm on record: {serious}; other harm: {other}.{unsaid_words(found)}"


def unsaid_words(found: Findings) -> str:
    """Say of how many harms it was not said whether they were serious; nothing where it was said of all."""
    if not found.harms_unsaid:
        return ""
    unsaid, every = found.harms_unsaid
    return f" Of {numbers.plural(every, 'harm')} it was not said of {unsaid} whether serious."
