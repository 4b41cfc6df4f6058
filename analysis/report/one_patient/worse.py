"""What must be said first of one patient beside visits off the curve: low throughout, worse than at the start, lost."""

from analysis.counted import form
from analysis.curves.patient_on_cohort import PatientOnCohort
from analysis.outcomes.endpoint import rounding_room
from analysis.outcomes.patients.expected_visits import expected_weeks, seen_weeks
from analysis.outcomes.patients.patient_flow import ENDING_WORDS
from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold
from analysis.report.one_patient.study import PatientPage
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text


def worse_in_words(page: PatientPage) -> list[str]:
    """Say what is worse than in nearly all others, or than at the start, and whether the patient is lost; nothing where none is.

    A visit off the expected curve is marked once, since what follows is expected from it; a patient who is low from the
    first visit on may have none. Here every visit is taken by itself.
    """
    said = []
    outer = [words for one in page.found if (words := _outer(one, page.level))]
    if outer:
        share = numbers.share((1 - page.level) / 2, 1)
        said.append(f"Among the worst {share} of comparable patients: {'; '.join(outer)}.")
    past = [words for one in page.found if (words := _past_threshold(one, page.thresholds.get(one.measure.name)))]
    if past:
        said.append(f"Worse than at the start by a threshold or more: {'; '.join(past)}.")
    return [*said, *_serious(page), *_lost(page)]


def _outer(one: PatientOnCohort, level: float) -> str:
    """Name the visits in the tail on the worse side, among patients of the same protocol and baseline.

    A value beyond the best one is not worse for being less far beyond than others'.
    """
    known = one.visits[one.visits["centile"].notna()]
    place = known["centile"] if one.measure.sign > 0 else 100 - known["centile"]
    worse = (place < 50 * (1 - level)) & ~known["value"].map(one.measure.is_beyond_ideal).astype(bool)
    weeks = [numbers.week(week) for week in known.loc[worse, "week"]]
    if not weeks:
        return ""
    at = f"week {weeks[0]}" if len(weeks) == 1 else f"weeks {numbers.listed(weeks)}"
    return f"{in_text(one.measure.label)} at {len(weeks)} of {numbers.plural(len(known), 'visit')} ({at})"


def _past_threshold(one: PatientOnCohort, threshold: ChosenThreshold | None) -> str:
    """Name the visit that is worst against the start, where it is worse by a threshold of change or more."""
    start, after = one.visits[one.visits["week"] <= 0], one.visits[one.visits["week"] > 0]
    if threshold is None or start.empty or after.empty:
        return ""
    base = float(start["value"].iloc[-1])
    worth = one.measure.worth
    loss = worth(start["value"].iloc[[-1]]).iloc[0] - worth(after["value"])
    worst, last = after.iloc[int(loss.to_numpy().argmax())], after.iloc[-1]
    if loss.max() < threshold.value - float(rounding_room(threshold.value)):
        return ""
    values = " to ".join(numbers.number(value, one.measure.decimals) for value in (base, worst["value"]))
    since = f", {numbers.number(last['value'], one.measure.decimals)} at {numbers.moment(last['week'])}"
    return (
        f"{in_text(one.measure.label)} from {values} {one.measure.unit} at {numbers.moment(worst['week'])} "
        f"({threshold.name} {threshold.value:g}){since if last['week'] > worst['week'] else ''}"
    )


def _serious(page: PatientPage) -> list[str]:
    """Name the serious events on record."""
    if page.events is None or "serious" not in page.events:
        return []
    rows = page.events[page.events["serious"].fillna(value=False).astype(bool)].sort_values("week")
    named = [f"{row['event']} at {numbers.moment(row['week'])}" for row in rows.to_dict("records")]
    return [f"Serious {form(len(named), 'event')} on record: {numbers.listed(named)}."] if named else []


def _lost(page: PatientPage) -> list[str]:
    """Say that the patient was not seen at the last scheduled weeks."""
    seen = seen_weeks(page.cohort)
    weeks = expected_weeks(seen)
    own = seen.loc[seen["patient_id"] == page.patient, "week"]
    missed = [week for week in weeks if own.empty or week > own.max()]
    if not missed:
        return []
    at = (
        f"{numbers.moment(missed[0])}"
        if len(missed) == 1
        else f"weeks {numbers.listed([numbers.week(one) for one in missed])}"
    )
    since = "never seen" if own.empty else f"not seen after {numbers.moment(own.max())}"
    return [f"Lost, or not yet due: {since}; visits are scheduled at {at}.{_reason(page)}"]


def _reason(page: PatientPage) -> str:
    """Name the event on record that ended the follow-up."""
    if page.events is None:
        return ""
    names = page.events["event"].astype("str")
    ended = page.events[names.str.lower().str.contains("|".join(ENDING_WORDS))].to_dict("records")
    named = [f"{row['event']} at {numbers.moment(row['week'])}" for row in ended]
    return f" On record: {numbers.listed(named)}." if named else ""
