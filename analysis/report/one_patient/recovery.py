"""The patient's recovery: the figure, each visit against what was expected, the weeks ahead, thresholds."""

from collections.abc import Iterator

import pandas as pd

from analysis.curves.patient_on_cohort import PatientOnCohort
from analysis.outcomes.endpoint import rounding_room
from analysis.outcomes.patients.limits import limit_values
from analysis.report.one_patient.opening import off_title
from analysis.report.one_patient.patient_figure import patient_figure
from analysis.report.one_patient.study import PatientPage
from analysis.report.one_patient.worse import figure_words
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table

_PLACES = {"start": "baseline", "not compared": "not compared"}


def _off_rule(level: float) -> str:
    """Say when a visit is marked as off the expected curve."""
    return (
        f"The rule: a value is off the expected curve where it lies outside the {numbers.level_in_words(level)} prediction "
        "interval for that visit, given the protocol, the baseline and the patient's earlier visits, by curves fitted to "
        "all other patients. The rule looks at one visit at a time, and neither asks why a value is off nor whether it "
        "matters: an error of measurement is marked as well as a setback."
    )


def curves(page: PatientPage) -> Section:
    """Draw every measure on the curves of the others."""
    left_out = [Passage((f"Not compared: {name}. {why}",)) for name, why in page.not_compared.items()]
    if not page.found:
        return Section((absent("a measure that could be compared with the other patients."), *left_out))
    notes = [f"{one.measure.label}: {note}" for one in page.found for note in one.notes]
    items: list[Item] = [
        patient_figure(page.found, page.thresholds, told=figure_words(page.findings), message=off_title(page.findings))
    ]
    if notes:
        items.append(Passage(tuple(notes), "items"))
    return Section((*items, *left_out))


def visits(page: PatientPage) -> Section:
    """Show each visit beside what was expected of it, with the rule that marks one as off the curve."""
    if not page.found:
        return Section((absent("a visit that could be compared."),))
    rows = pd.DataFrame([row for one in page.found for row in _visit_rows(one)])
    percent = numbers.level_in_words(page.level)
    table = Table(
        rows,
        "Each value beside what was expected of it.",
        (
            Column("week", "Week", "week"),
            Column("value", "Value", "right"),
            Column("expected", f"Expected ({percent} interval)", "right"),
            Column("centile", "Centile of the others", "right"),
            Column("place", "Where"),
        ),
        (
            f"Interval: {percent}, of a measured value, by the normal distribution of the model.",
            "Centile: among patients of the same protocol and baseline, whatever the earlier visits.",
        ),
        name="visits",
        rows_grouped_by="measure",
    )
    limits = [
        (one.measure, limit_values(page.cohort, one.measure.name, one.limb, patient=page.patient)) for one in page.found
    ]
    said = [one.in_words(in_text(measure.label)) for measure, one in limits if one is not None and one.n]
    return Section((Passage((_off_rule(page.level),)), table, *([Passage(tuple(said), "items")] if said else [])))


def _visit_rows(one: PatientOnCohort) -> Iterator[dict[str, object]]:
    decimals = one.measure.decimals
    for visit in one.visits.to_dict("records"):
        expected = numbers.MISSING
        if not numbers.is_missing(visit["expected"]):
            limits = numbers.interval(visit["lower"], visit["upper"], decimals)
            expected = f"{numbers.number(visit['expected'], decimals)} ({limits})"
        place = str(visit["place"])
        yield {
            "measure": f"{one.measure.label} ({one.measure.unit}), {one.measure.direction_in_words}",
            "week": visit["week"],
            "value": numbers.number(visit["value"], decimals),
            "expected": expected,
            "centile": numbers.centile(visit["centile"]),
            "place": _PLACES.get(place, "within" if place == "within" else f"off: {place}"),
        }


def ahead(page: PatientPage) -> Section:
    """Show what is expected at the weeks after the last visit."""
    rows = [
        {
            "measure": f"{one.measure.label} ({one.measure.unit})",
            "week": row["week"],
            "expected": numbers.number(row["estimate"], one.measure.decimals),
            "interval": numbers.interval(row["lower"], row["upper"], one.measure.decimals),
        }
        for one in page.found
        for row in one.ahead.to_dict("records")
    ]
    if not rows:
        return Section((Passage(("The patient was seen at the last week of the curves; nothing lies ahead.",)),))
    percent = numbers.level_in_words(page.level)
    table = Table(
        pd.DataFrame(rows),
        "Expected at the weeks ahead, from the patient's own visits and the curves of the others.",
        (
            Column("week", "Week", "week"),
            Column("expected", "Expected", "right"),
            Column("interval", f"{percent} interval of a value", "right"),
        ),
        ("If the patient goes on like others of the same protocol who had the same values so far.",),
        name="ahead",
        rows_grouped_by="measure",
    )
    return Section((table,))


def thresholds(page: PatientPage) -> Section:
    """Show the change from baseline at the last visit beside the published threshold of each measure."""
    rows = []
    for one in page.found:
        start = one.visits[one.visits["place"] == "start"]
        later = one.visits[one.visits["week"] > 0]
        chosen = page.thresholds.get(one.measure.name)
        if chosen is None or start.empty or later.empty:
            continue
        change = float(later["value"].iloc[-1]) - float(start["value"].iloc[-1])
        decimals, worth = one.measure.decimals, one.measure.worth
        rows.append(
            {
                "measure": f"{one.measure.label} ({one.measure.unit})",
                "week": later["week"].iloc[-1],
                "baseline": numbers.number(start["value"].iloc[-1], decimals),
                "value": numbers.number(later["value"].iloc[-1], decimals),
                "change": numbers.signed(change, decimals),
                "threshold": f"{chosen.value:g}, {chosen.name}",
                "reached": _reached(
                    float(worth(later["value"]).iloc[-1] - worth(start["value"]).iloc[-1]), chosen.value
                ),
            }
        )
    if not rows:
        return Section((absent("a measure with a baseline, a later value and a published threshold of change."),))
    table = Table(
        pd.DataFrame(rows),
        "Change from baseline at the last visit beside the threshold.",
        (
            Column("measure", "Measure"),
            Column("week", "Week", "week"),
            Column("baseline", "Baseline", "right"),
            Column("value", "Value", "right"),
            Column("change", "Change", "right"),
            Column("threshold", "Threshold"),
            Column("reached", "Against it"),
        ),
        (
            "Minimal important: a change that matters to patients on average.",
            "Minimal detectable: a change beyond the error of one measurement, which says nothing about importance.",
        ),
        name="thresholds",
    )
    sources = [
        f"{one.measure.label}: {chosen.words}{' ' + chosen.caution if chosen.caution else ''}"
        for one in page.found
        if (chosen := page.thresholds.get(one.measure.name)) is not None
    ]
    return Section((table, Passage(tuple(sources), "items")))


def _reached(improvement: float, threshold: float) -> str:
    room = float(rounding_room(threshold))
    if improvement >= threshold - room:
        return "improved by the threshold"
    return "worse by the threshold" if improvement <= -threshold + room else "less than the threshold"
