"""What was done at home, how the brace was set, and what happened."""

import pandas as pd

from analysis.cohort.derived import measured_values
from analysis.cohort.programme import worn_until
from analysis.report.one_patient.home_figures import brace_figure, session_figure, session_totals, yes_no
from analysis.report.one_patient.study import PatientPage
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.parts.tables import Column, Table


def sessions(page: PatientPage) -> Section:
    """Show the home sessions done of those prescribed."""
    if page.sessions is None or page.sessions.empty:
        return Section((absent("home sessions of this patient. Nothing can be said about adherence."),))
    totals = Table(
        session_totals(page.sessions),
        "Home sessions over all weeks with an entry.",
        (
            Column("modality", "Modality"),
            Column("weeks", "Weeks", "count"),
            Column(("done", "prescribed"), "Sessions done / prescribed", "fraction with share", instead="words"),
        ),
        ("What was done follows how the knee feels as well as leading to it.",),
        name="session-totals",
    )
    return Section((totals, session_figure(page.sessions)))


def brace(page: PatientPage) -> Section:
    """Show the limits of the brace with the motion measured."""
    known = None if page.brace is None else page.brace.dropna(subset=["flexion_limit_deg", "extension_limit_deg"])
    if page.brace is None or known is None or known.empty:
        return Section((absent("limits of a brace for this patient."),))
    own = page.cohort.visits[page.cohort.visits["patient_id"] == page.patient]
    parts = []
    # Extension is measured as degrees of extension: its sign is turned to count as the brace does.
    for direction, measure, sign in (("flexion", "knee_flexion", 1.0), ("extension", "knee_extension", -1.0)):
        if (own["measure"] == measure).any():
            values = measured_values(own, measure, "involved", page.cohort.patients).dropna(subset=["value"])
            parts.append(
                pd.DataFrame({"week": values["week"], "direction": direction, "value": sign * values["value"]})
            )
    empty = pd.DataFrame({"week": [0.0][:0], "direction": [""][:0], "value": [0.0][:0]})
    motion = pd.concat(parts, ignore_index=True) if parts else empty
    last = float(known["week"].max())
    motion = motion[motion["week"].between(0.0, last + 6.0, inclusive="right")]
    return Section((brace_figure(known, motion, until=float(worn_until(page.brace).iloc[0])),))


def events(page: PatientPage) -> Section:
    """Show what happened to the patient."""
    if page.events is None:
        return Section((absent("events. That none are shown does not mean that none happened."),))
    if page.findings.events == 0:
        return Section((Passage(("No event of this patient was recorded.",)),))
    table = page.events.assign(
        serious=yes_no(page.events, "serious"),
        related=yes_no(page.events, "related"),
        event=page.events["event"].astype("str"),
    )
    columns = (
        Column("week", "Week", "week"),
        Column("event", "Event"),
        Column("serious", "Serious"),
        Column("related", "Related to the programme"),
    )
    note = "Related: in the eyes of those who recorded it."
    return Section((Table(table.sort_values("week"), "Events.", columns, (note,), name="events"),))
