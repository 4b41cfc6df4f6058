"""Who stayed, in words: allocated, started, seen at the primary week, lost and why; for the flow's sentence and its slide."""

from analysis.cohort.measures import Measure
from analysis.counted import form
from analysis.outcomes.patients.patient_flow import NO_REASON, PatientFlow, counted_at, reasons_at
from analysis.report.comparison.findings.finding import Findings, Stayed
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.parts.wording import TITLE_LETTERS, counts_by_protocol

#: Reasons that are named; the others are counted together.
_MOST_REASONS = 2
#: What a box has room for.
_SHORT = {NO_REASON: "no reason"}


def flow_title(found: Findings) -> str:
    """Say how many were seen at the primary week, by protocol, or without a schedule after the baseline."""
    total = sum(one.allocated for one in found.stayed)
    seen = sum(_seen(one) for one in found.stayed)
    when = _when(found)
    if seen == total:
        return (
            f"All {numbers.plural(total, 'patient')} were seen {when}" if total > 1 else f"The patient was seen {when}"
        )
    said = (
        f"{numbers.capitalised(when)}, {seen or 'none'} of {numbers.plural(total, 'patient')} {form(seen, 'was')} seen"
    )
    if len(found.stayed) == 1:
        return said
    counts = [(one.protocol, _seen(one), one.allocated) for one in found.stayed]
    by_protocol = counts_by_protocol(counts, room=TITLE_LETTERS - len(said), end="least", whole=False)
    return f"{said}: {by_protocol}" if by_protocol else said


def flow_words(found: Findings, measure: Measure) -> str:
    """Say in one sentence of each protocol who was allocated, who started, who was seen and who was lost and why."""
    total = sum(one.allocated for one in found.stayed)
    said = []
    for one in found.stayed:
        counts = [f"{numbers.count(one.allocated)} allocated", f"{numbers.count(one.started)} started"]
        counts.append(f"{numbers.count(_seen(one))} seen")
        if one.lost is not None:
            counts.append(f"{numbers.count(one.lost)} {_lost_by(found)}{_bracketed(one)}")
        said.append(f"{one.protocol}: {', '.join(counts)}")
    return (
        f"Flow of {numbers.plural(total, 'patient')}. Started means with a baseline, seen means {_of_what(found, measure)}. "
        f"{numbers.capitalised('; '.join(said))}."
    )


def before_words(flow: PatientFlow) -> str:
    """Say who was assessed, excluded and why, and who received the protocol, as given with the cohort; empty where nothing is.

    Of what is not given nothing is said.
    """
    if flow.before is None or flow.before.empty:
        return ""
    total = int(flow.allocated["allocated"].sum())
    said = []
    assessed, excluded = counted_at(flow.before, "assessed"), counted_at(flow.before, "excluded")
    if assessed is not None:
        said.append(f"assessed for eligibility {numbers.count(assessed)}")
    if excluded is not None:
        said.append(f"excluded {numbers.count(excluded)}{_told(reasons_at(flow.before, 'excluded'))}")
    early = f"{numbers.capitalised(', '.join([*said, f'allocated {numbers.count(total)}']))}." if said else ""
    given = []
    for protocol, allocated in zip(flow.allocated["protocol"], flow.allocated["allocated"], strict=True):
        received = counted_at(flow.before, "received", protocol)
        if received is not None:
            reasons = _told(reasons_at(flow.before, "not received", protocol))
            given.append(f"{protocol} {numbers.count(received)} of {numbers.count(allocated)}{reasons}")
    return " ".join(filter(None, (early, f"Received the protocol: {'; '.join(given)}." if given else "")))


def _told(reasons: list[tuple[str, int]]) -> str:
    return f" ({', '.join(f'{reason} {numbers.count(n)}' for reason, n in reasons)})" if reasons else ""


def flow_boxes(found: Findings) -> dict[str, list[list[str]]]:
    """Give four boxes of short lines for each protocol, for the picture of a slide."""
    boxes = {}
    for one in found.stayed:
        rows = [
            [one.protocol, f"allocated: {numbers.count(one.allocated)}"],
            [f"with a baseline: {numbers.count(one.started)}"],
            [f"seen {_when(found)}: {numbers.count(_seen(one))}"],
        ]
        if one.lost is not None:
            reasons = [
                f"– {_SHORT.get(reason, reason)}: {numbers.count(patients)}" for reason, patients in _reasons(one)
            ]
            rows.append([f"{_lost_by(found)}: {numbers.count(one.lost)}", *reasons])
        boxes[one.protocol] = rows
    return boxes


def _when(found: Findings) -> str:
    return f"at {numbers.moment(found.primary_week or 0.0)}" if found.seen else "after the baseline"


def _of_what(found: Findings, measure: Measure) -> str:
    """Say what seen means: with a value of the measure where the week is that of the comparison, else of any measure."""
    return f"{_when(found)} with a value of {in_text(measure.label) if found.seen else 'any measure'}"


def _seen(one: Stayed) -> int:
    return one.seen if one.seen is not None else one.after_baseline


def _lost_by(found: Findings) -> str:
    return f"lost by {numbers.moment(found.last_week or 0.0)}"


def _reasons(one: Stayed) -> list[tuple[str, int]]:
    """Give the reasons named, the most frequent first, and the others together."""
    rest = sum(patients for _, patients in one.reasons[_MOST_REASONS:])
    return [*one.reasons[:_MOST_REASONS], *([("other reasons", rest)] if rest else [])]


def _bracketed(one: Stayed) -> str:
    said = [f"{reason} {numbers.count(patients)}" for reason, patients in _reasons(one)]
    return f" ({', '.join(said)})" if said else ""
