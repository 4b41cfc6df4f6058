"""Who took part: the sites, how patients were followed, and who they were at the start."""

from __future__ import annotations

from analysis.report.comparison.patients import baseline_of
from analysis.report.figures.flow_figure import lost_table
from analysis.report.parts import numbers
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table
from analysis.report.sites.study import SitesStudy


def sites(study: SitesStudy) -> Section:
    """List what each site sent."""
    pooled = study.pooled
    columns: tuple[Column, ...]
    if pooled.masked:
        columns = (Column("site", "Site"), Column("hash", "Hash of its file"))
        note = "The files were masked: nobody saw the numbers of one site, and none stands here."
    else:
        columns = (
            Column("site", "Site"), Column("patients", "Patients", "count"), Column("in_curves", "In the curves", "count"),
            Column("left_out", "Visits left out", "count"), Column("hash", "Hash of its file"),
        )  # fmt: skip
        note = "Visits left out: patients whose pattern of visits, or a level within it, few have."
    table = Table(
        pooled.sites.assign(hash=pooled.sites["sha256"].str[:16]),
        "What each site sent.",
        columns,
        (note,),
        name="sites",
    )
    gone = [Passage((f"Sent nothing: {numbers.listed(pooled.without)}.",))] if pooled.without else []
    return Section((table, *gone))


def flow(study: SitesStudy) -> Section:
    """Show how many patients were allocated and seen, week by week, and who was lost."""
    found = study.compared.flow
    wide = found.by_week.assign(
        seen_of=[numbers.fraction(a, b) for a, b in zip(found.by_week["seen"], found.by_week["due"], strict=True)]
    )
    table = Table(
        wide,
        "Patients seen of those due, by week.",
        (
            Column("week", "Week", "week"),
            Column("seen_of", "Seen / due", "right"),
            Column("share", "Share", "share"),
            Column("missed_seen_later", "Missed, seen later", "count"),
            Column("not_seen_again", "Not seen again", "count"),
        ),
        ("Seen means a value of the measure; week 0 is every week at or before the start.",),
        name="flow",
        rows_grouped_by="protocol",
    )
    items: list[Item] = [table]
    if len(found.lost):
        items.append(lost_table(found))
    return Section(tuple(items))


def baseline(study: SitesStudy) -> Section:
    """Describe the patients at the start, by protocol, without tests."""
    if study.compared.baseline.table.empty:
        return Section((absent("characteristics of the patients at the start."),))
    return Section(
        (
            baseline_of(
                study.compared.baseline,
                {study.compared.plan.endpoint.measure.name: study.compared.plan.endpoint.measure},
            ),
        )
    )
