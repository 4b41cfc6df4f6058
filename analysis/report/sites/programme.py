"""What went wrong, what is missing, and what was done at home, over sites."""

from __future__ import annotations

from analysis.report.comparison.programme import harm_table
from analysis.report.figures.programme_figures import harm_figure, missing_figure
from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.parts.tables import Column, Table, intervals_by, level_of
from analysis.report.sites.findings import harms_words
from analysis.report.sites.study import SitesStudy


def harms(study: SitesStudy) -> Section:
    """Show events by protocol with their denominators."""
    compared = study.compared
    if not compared.events.recorded:
        return Section((absent("events. That none are shown does not mean that none happened."),))
    told = harms_words(compared)
    return Section(
        (
            Passage((told,)),
            harm_figure(compared.events, told=told),
            harm_table(compared.events, compared.harm_differences),
        )
    )


def missing(study: SitesStudy) -> Section:
    """Show the visits missed, by protocol and week."""
    found, measure = study.compared.missing, study.compared.plan.endpoint.measure
    table = found.table
    if not table["expected"].any():
        return Section((absent("visits that were due."),))
    gone, expected = int(table["missing"].sum()), int(table["expected"].sum())
    told = f"Of the visits expected {numbers.fraction(gone, expected)} were missed."
    return Section((Passage((told,)), missing_figure(found, measure, told=told)))


def home_programme(study: SitesStudy) -> Section:
    """Show the sessions done of those prescribed, and who stopped."""
    compared = study.compared
    found, stopping = compared.adherence, compared.stopping
    if not found.recorded or found.overall.empty:
        return Section((absent("home sessions, so that nothing can be said about adherence."),))
    some = []
    if compared.records_sessions < compared.n_patients:
        of = numbers.plural(compared.n_patients, "patient")
        some = [f"{numbers.count(compared.records_sessions)} of {of} are at sites that record home sessions."]
    adherence = Table(
        found.overall,
        "Home sessions done of those prescribed, over the whole programme.",
        (
            Column("protocol", "Protocol"),
            Column("n", "Patients", "count"),
            Column(("sessions_done", "sessions_prescribed"), "Sessions done / prescribed", "fraction with share"),
            Column("mean_share", "Mean of patients", "share"),
            Column(("reached", "n"), f"Patients at {numbers.share(found.enough)} or more", "fraction"),
            Column("share_reached", f"Share ({level_of(found.overall)} interval)", "share with interval"),
        ),
        (
            intervals_by(found.overall),
            "Denominator: patients with sessions prescribed and the sessions done known; no entry is not 0 %.",
            *some,
        ),
        name="adherence",
        rows_grouped_by="modality",
    )
    stopped = Table(
        stopping.summary,
        f"Home sessions stopped: {stopping.idle_weeks} or more weeks without a session, up to the last recorded week.",
        (
            Column("protocol", "Protocol"),
            Column(("n", "allocated"), "Recorded / patients", "fraction"),
            Column("never_started", "Never started", "count"),
            Column("stopped_later", "Stopped later", "count"),
            Column("going_on", "Going on at their last week", "count"),
        ),
        name="stopping",
    )
    return Section((adherence, stopped))
