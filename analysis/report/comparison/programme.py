"""What was done at home, what went wrong, and what is missing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.report import numbers
from analysis.report.passages import Passage, Section, absent
from analysis.report.programme_figures import adherence_figure, missing_figure
from analysis.report.tables import Column, Table

if TYPE_CHECKING:
    from analysis.outcomes import AdherenceByWeek, EventsByProtocol
    from analysis.report.comparison.study import Study


def home_programme(study: Study) -> Section:
    """Show the sessions done of those prescribed, by protocol.

    Parameters
    ----------
    study : Study
        The comparison.
    """
    if not study.adherence.recorded or not study.adherence.table["n"].any():
        return Section((absent("home sessions. Nothing can be said about adherence."),))
    return Section((adherence_table(study.adherence), adherence_figure(study.adherence)))


def adherence_table(found: AdherenceByWeek) -> Table:
    """Show adherence over the whole programme by modality and protocol.

    Parameters
    ----------
    found : AdherenceByWeek
        Home adherence.
    """
    reached = f"Patients at {numbers.share(found.threshold)} or more"
    level = found.overall["level"].iloc[0]
    return Table(
        found.overall,
        "Home sessions done of those prescribed, over the whole programme.",
        (
            Column("protocol", "Protocol"),
            Column("n", "Patients", "count"),
            Column(("sessions_done", "sessions_prescribed"), "Sessions done / prescribed", "fraction with share"),
            Column("median_share", "Median of patients", "share"),
            Column(("lower_quartile", "upper_quartile"), "Quartiles", "shares"),
            Column(("reached", "n"), reached, "fraction"),
            Column(
                ("share_reached", "lower", "upper"),
                f"Share ({numbers.level_in_words(level)} interval)",
                "share with interval",
            ),
        ),
        (f"Intervals: {found.overall['method'].iloc[0]}.", *found.notes),
        name="adherence",
        rows_grouped_by="modality",
    )


def harms(study: Study) -> Section:
    """Show events by protocol with their denominators.

    Parameters
    ----------
    study : Study
        The comparison.
    """
    if not study.events.recorded:
        return Section((absent("events. That none are shown does not mean that none happened."),))
    if not study.events.table["events"].any():
        return Section((Passage(("Events were recorded, and none happened.",)), harm_table(study.events)))
    return Section((harm_table(study.events),))


def harm_table(found: EventsByProtocol) -> Table:
    """Show events by kind and protocol.

    Parameters
    ----------
    found : EventsByProtocol
        Events.
    """
    order = list(dict.fromkeys(found.table["event"]))
    protocols = list(dict.fromkeys(found.table["protocol"]))
    table = found.table.assign(
        _kind=found.table["event"].map(order.index), _protocol=found.table["protocol"].map(protocols.index)
    ).sort_values(["_kind", "_protocol"], kind="stable")
    level = numbers.level_in_words(table["level"].iloc[0])
    return Table(
        table,
        "Patients with an event, and events, by kind and protocol.",
        (
            Column("protocol", "Protocol"),
            Column(("patients", "allocated"), "Patients with it", "fraction"),
            Column(("share", "lower", "upper"), f"Share ({level} interval)", "share with interval", 1),
            Column("events", "Events", "count"),
            Column("serious_patients", "Patients, serious", "count"),
            Column("related_patients", "Patients, related", "count"),
        ),
        (
            f"Intervals: {table['method'].iloc[0]}. Related: to the programme, in the eyes of those who recorded it.",
            *found.notes,
        ),
        name="harms",
        rows_grouped_by="event",
    )


def missing(study: Study) -> Section:
    """Show which values are missing, by protocol and week.

    Parameters
    ----------
    study : Study
        The comparison.
    """
    if study.missing.table.empty:
        return Section((absent(" ".join(study.missing.notes)),))
    return Section((missing_figure(study.missing, study.measure),))
