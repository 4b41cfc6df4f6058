"""What must be said first of one patient beside visits off the curve: low throughout, worse than at the start, lost."""

from analysis.counted import form
from analysis.report.one_patient.findings import MeasureFindings, PatientFindings
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text


def worse_in_words(found: PatientFindings) -> list[str]:
    """Say what is worse than in nearly all others, or than at the start, and whether the patient is lost; nothing where none is."""
    said = []
    outer = [_outer(one) for one in found.measures if one.outer]
    if outer:
        share = numbers.share((1 - found.level) / 2, 1)
        said.append(f"Among the worst {share} of comparable patients: {'; '.join(outer)}.")
    past = [_past_threshold(one) for one in found.measures if one.past is not None]
    if past:
        said.append(f"Worse than at the start by a threshold or more: {'; '.join(past)}.")
    if found.serious:
        named = numbers.listed([f"{event} at {numbers.moment(week)}" for event, week in found.serious])
        said.append(f"Serious {form(len(found.serious), 'event')} on record: {named}.")
    return [*said, *_lost(found)]


def _outer(one: MeasureFindings) -> str:
    """Name the visits in the tail on the worse side, among patients of the same protocol and baseline."""
    of = numbers.plural(one.placed, "visit")
    return f"{in_text(one.measure.label)} at {len(one.outer)} of {of} ({_moments(one.outer)})"


def _moments(weeks: tuple[float, ...]) -> str:
    """Name times: a single one with its unit, several below the word weeks, days by their name."""
    if len(weeks) == 1:
        return numbers.moment(weeks[0])
    return f"weeks {numbers.listed([numbers.week_or_day(week) for week in weeks])}"


def _past_threshold(one: MeasureFindings) -> str:
    """Name the visit that is worst against the start, where it is worse by a threshold of change or more."""
    past, decimals = one.past, one.measure.decimals
    if past is None:
        return ""
    values = " to ".join(numbers.number(value, decimals) for value in (past.start, past.value))
    since = f", {numbers.number(past.last_value, decimals)} at {numbers.moment(past.last_week)}"
    return (
        f"{in_text(one.measure.label)} from {values} {one.measure.unit} at {numbers.moment(past.week)} "
        f"({past.threshold} {past.amount:g}){since if past.last_week > past.week else ''}"
    )


def _lost(found: PatientFindings) -> list[str]:
    """Say that the patient was not seen at the last scheduled weeks, and what event on record ended the follow-up."""
    if not found.missed:
        return []
    at = _moments(found.missed)
    since = "never seen" if found.last_seen is None else f"not seen after {numbers.moment(found.last_seen)}"
    ended = numbers.listed([f"{event} at {numbers.moment(week)}" for event, week in found.ended])
    reason = f" On record: {ended}." if ended else ""
    return [f"Lost, or not yet due: {since}; visits are scheduled at {at}.{reason}"]


def figure_words(found: PatientFindings) -> str:
    """Say of each measure where the patient was last, which visits were off the curve, and what is expected at the end."""
    return " ".join(_figure_words(one) for one in found.measures)


def _figure_words(one: MeasureFindings) -> str:
    decimals, unit = one.measure.decimals, one.measure.unit
    at = f"{numbers.number(one.last_value, decimals)} {unit} at {numbers.moment(one.last_week)}"
    known = not numbers.is_missing(one.last_centile)
    among = f" (centile of the others: {numbers.centile(one.last_centile)})" if known else ""
    off = [f"{visit.place} what was expected at {numbers.moment(visit.week)}" for visit in one.off]
    marked = f"; {numbers.listed(off)}" if off else ""
    ahead = ""
    if one.ahead is not None:
        limits = numbers.interval(one.ahead.lower, one.ahead.upper, decimals)
        expected = numbers.number(one.ahead.estimate, decimals)
        ahead = f"; expected at {numbers.moment(one.ahead.week)}: {expected} ({limits})"
    return f"{numbers.capitalised(in_text(one.measure.label))}: {at}{among}{marked}{ahead}."
