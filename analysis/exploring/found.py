"""What a view shows in words: who was seen, and sizes with their intervals; of what was only looked for nothing is claimed."""

from collections.abc import Sequence

import numpy as np

from analysis.cohort.tables import Cohort
from analysis.curves.covariates import adjusted_in_words
from analysis.curves.patient_on_cohort import PatientOnCohort
from analysis.curves.recovery import RecoveryCurves
from analysis.outcomes import PatientFlow, Responders
from analysis.report.comparison.findings.finding import Seen
from analysis.report.parts import numbers
from analysis.report.parts.losses import too_many_lost
from analysis.report.parts.numbers import in_text, shown_decimals

#: Beside every picture.
CAUTION = (
    "This is a look at groups of patients, not an analysis that was planned: no interval is adjusted for the number of "
    "pictures, and of twenty looks at nothing one or so seems to show something (intervals of 95 %). What is found here has to be "
    "asked again of other patients. It recommends nothing for a patient."
)


def seen_at(cohort: Cohort, curves: RecoveryCurves) -> tuple[Seen, ...]:
    """Give who of each protocol has a value at the primary week, of all its patients."""
    visits = curves.visits[curves.visits["week"] == curves.primary_week]
    there = visits.groupby(visits["protocol"].astype("str"))["patient_id"].nunique()
    every = cohort.patients["protocol"].astype("str").value_counts()
    return tuple(Seen(name, int(there.get(name, 0)), int(every.get(name, 0))) for name in curves.protocols)


def seen_in_words(seen: Sequence[Seen], curves: RecoveryCurves) -> str:
    """Say who was seen, and whether too many were not for a conclusion about protocols.

    Where visits have no schedule nobody can be missed at a week, and the patients in the model are counted.
    """
    of = f"a value of {in_text(curves.measure.label_on(curves.limb))}"
    if not curves.scheduled:
        return (
            f"Visits have no schedule; the curves hold {numbers.plural(curves.model.n_patients, 'patient')} with {of}."
        )
    each = numbers.listed([f"{one.seen} of {one.allocated} with {one.protocol}" for one in seen])
    said = f"At {numbers.moment(curves.primary_week)} there is {of} of {each}."
    if too_many_lost([one.lost for one in seen if one.allocated]):
        said += " Too many were not seen to conclude anything about protocols."
    return said


def means_in_words(curves: RecoveryCurves, level: float) -> str:
    """Say the model means at the primary week."""
    means, decimals = curves.means(level=level), shown_decimals(curves.measure)
    at = means[(means["week"] - curves.primary_week).abs() < 1e-9]
    names = at["protocol"].astype("str") if "protocol" in at else curves.protocols[:1]
    each = [
        f"{name} {numbers.number(row['estimate'], decimals)} ({numbers.interval(row['lower'], row['upper'], decimals)})"
        for name, row in zip(names, at.to_dict("records"), strict=True)
        if not np.isnan(row["estimate"])
    ]
    adjusted = f", adjusted for {adjusted_in_words(curves.adjusted_for)}," if curves.adjusted_for else ""
    percent = numbers.level_in_words(level)
    return (
        f"Model means{adjusted} at {numbers.moment(curves.primary_week)} in {curves.measure.unit}, with {percent} intervals: "
        f"{'; '.join(each) or 'none'}."
    )


def differences_in_words(curves: RecoveryCurves, level: float) -> str:
    """Say the difference of each protocol at the primary week."""
    decimals = shown_decimals(curves.measure)
    rows = curves.primary_differences(level=level).to_dict("records")
    each = [
        f"{row['protocol']} {numbers.signed_with_interval(row['estimate'], row['lower'], row['upper'], decimals)}"
        for row in rows
    ]
    return (
        f"Differences from {curves.protocols[0]} at {numbers.moment(curves.primary_week)} in {curves.measure.unit} "
        f"({curves.measure.direction_in_words}), with {numbers.level_in_words(level)} intervals: {'; '.join(each)}."
    )


def responders_in_words(found: Responders) -> list[str]:
    """Say what was counted and how many reached it, of those judged."""
    each = [
        f"{numbers.fraction(row['responders'], row['n'])} with {row['protocol']}"
        for row in found.table.to_dict("records")
    ]
    lost = [1 - row["n"] / row["allocated"] for row in found.table.to_dict("records") if row["allocated"]]
    said = [found.endpoint.words, f"It was reached by {'; '.join(each)}, of those judged."]
    if too_many_lost(lost):
        said.append("Too many were not judged to conclude anything about protocols.")
    return said


def patient_in_words(found: PatientOnCohort) -> str:
    """Say how many visits of the patient were compared, and which lie off the expected curve."""
    compared, off = len(found.compared), found.off
    which = [f"{numbers.moment(week)} ({place})" for week, place in zip(off["week"], off["place"], strict=True)]
    said = f"Off the expected curve: {numbers.listed(which)}" if which else "None of them is off the expected curve"
    if not compared:
        said = "Nothing can be said of them"
    return (
        f"{numbers.plural(compared, 'visit')} of {found.patient} ({found.protocol}) compared with the curves of "
        f"{numbers.plural(found.n_others, 'other patient')}. {said}."
    )


def last_seen_in_words(flow: PatientFlow) -> str:
    """Say how many were not seen at the last week, of all; of visits without a schedule that nobody can be lost."""
    if not flow.weeks:
        return "Visits have no schedule, so nobody can be said to be lost."
    lost = flow.patients.groupby(flow.patients["protocol"].astype("str"))["lost"].agg(["sum", "size"])
    each = [f"{int(row['sum'])} of {int(row['size'])} with {name}" for name, row in lost.iterrows()]
    return f"Not seen at {numbers.moment(flow.weeks[-1])} nor after it: {numbers.listed(each)}."
