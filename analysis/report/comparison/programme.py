"""What was done at home, what went wrong, and what is missing."""

import pandas as pd

from analysis.outcomes import AdherenceByWeek, EventsByProtocol, MissingPatterns
from analysis.outcomes.home_programme.brace_by_week import BraceByWeek
from analysis.outcomes.home_programme.prescribed_modalities import IN_WORDS
from analysis.outcomes.missing.missing_patterns import BASELINE
from analysis.report.comparison.findings.figure_words import harm_words, harms_title, missing_title, missing_words
from analysis.report.comparison.results import Lacking
from analysis.report.comparison.study import Study
from analysis.report.figures.programme_figures import harm_figure, missing_figure
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.parts.outcome_tables import share_table
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table, intervals_by, level_of

_KINDS_APART = (
    "Kinds of harm are compared each by itself: what is not serious is not summed. Where few have a harm an interval that "
    "holds zero does not say that it is as rare."
)
NOTHING_MISSING = (
    "Every patient was seen at every expected week, so nothing hangs on an assumption about missing visits."
)


def home_programme(study: Study) -> Section:
    """Show the sessions done of those prescribed, by protocol."""
    if isinstance(study.at_home, Lacking):
        return Section((absent(f"{study.at_home.what} Nothing can be said about adherence."), *_brace(study.brace)))
    return Section((_adherence_table(study.adherence), *_brace(study.brace)))


def _brace(found: BraceByWeek) -> list[Item]:
    """Show the brace limits in force by week and who bent as far; nothing where no brace is on record."""
    if found.table.empty:
        return []
    return [
        Table(
            found.table,
            "Brace limits in force at the visits, and flexion within them.",
            (
                Column("week", "Week", "week"),
                Column(("worn", "allocated"), "Patients with limits", "fraction"),
                Column("flexion_limit", "Flexion limit, median (deg)", "number", 0),
                Column("extension_limit", "Extension limit, median (deg)", "number", 0),
                Column(("reached", "n"), "Bent as far as allowed", "fraction"),
                Column("share", f"Share ({level_of(found.table)} interval)", "share with interval"),
            ),
            (intervals_by(found.table), *found.notes),
            name="brace",
            rows_grouped_by="protocol",
        )
    ]


def _adherence_table(found: AdherenceByWeek) -> Table:
    """Show adherence over the whole programme by modality and protocol."""
    done, reached = ("sessions_done", "sessions_prescribed"), f"Patients at {numbers.share(found.enough)} or more"
    share = f"Share ({level_of(found.overall)} interval)"
    return Table(
        with_words(found.overall),
        "Home sessions done of those prescribed, over the whole programme.",
        (
            Column("protocol", "Protocol"),
            Column("n", "Patients", "count"),
            Column(done, "Sessions done / prescribed", "fraction with share", instead="words"),
            Column("median_share", "Median of patients", "share"),
            Column(("lower_quartile", "upper_quartile"), "Quartiles", "shares"),
            Column(("reached", "n"), reached, "fraction", instead="dash"),
            Column("share_reached", share, "share with interval"),
        ),
        (intervals_by(found.overall), *found.notes),
        name="adherence",
        rows_grouped_by="modality",
    )


def with_words(overall: pd.DataFrame) -> pd.DataFrame:
    """Add what is shown in the place of numbers: words where nothing was prescribed or known, and a dash beside them.

    The protocols of a modality come together.
    """
    words = overall["prescribed"].map(IN_WORDS)
    words = words.mask(words.isna() & (overall["n"] == 0), "not known")
    order = {name: place for place, name in enumerate(dict.fromkeys(overall["modality"]))}
    shown = overall.assign(words=words, dash=words.where(words.isna(), numbers.MISSING))
    return shown.sort_values("modality", key=lambda names: names.map(order), kind="stable")


def harms(study: Study) -> Section:
    """Show events by protocol with their denominators."""
    if not study.events.recorded:
        return Section((absent("events. That none are shown does not mean that none happened."),))
    return Section(
        (
            harm_figure(study.events, told=harm_words(study.found), message=harms_title(study.found)),
            harm_table(study.events, study.harm_differences),
        )
    )


def harm_table(found: EventsByProtocol, differences: pd.DataFrame) -> Table:
    """Show events by kind and protocol, with the differences from the reference where any are compared."""
    table = found.table
    order = list(dict.fromkeys(table["event"]))
    protocols = list(dict.fromkeys(table["protocol"]))
    table = table.assign(
        _kind=table["event"].map(order.index), _protocol=table["protocol"].map(protocols.index)
    ).sort_values(["_kind", "_protocol"], kind="stable")
    columns = [
        Column("protocol", "Protocol"),
        Column(("patients", "allocated"), "With it", "fraction"),
        Column("share", f"Share ({level_of(table)} interval)", "share with interval", 1),
    ]
    notes = [
        f"{intervals_by(table)} Serious and related: events marked so; related to the programme, in the eyes of those who recorded it.",
        *found.notes,
    ]
    if len(differences):
        beside = differences[["event", "protocol", "difference", "lower", "upper"]]
        beside = beside.rename(columns={"lower": "difference_lower", "upper": "difference_upper"})
        table = table.merge(beside, on=["event", "protocol"], how="left")
        names = ("difference", "difference_lower", "difference_upper")
        reference, percent = differences["reference"].iloc[0], level_of(differences)
        columns.append(Column(names, f"Points ({percent} interval)", "points with interval"))
        notes.append(f"{_KINDS_APART} Points: percentage points from {reference}, by {differences['method'].iloc[0]}.")
    columns += [
        Column("events", "Events", "count"),
        Column("serious_events", "Serious", "count"),
        Column("related_events", "Related", "count"),
    ]
    return Table(
        table,
        "Patients with an event, and events, by kind and protocol.",
        tuple(columns),
        tuple(notes),
        name="harms",
        rows_grouped_by="event",
    )


def missing(study: Study) -> Section:
    """Show which values are missing, by protocol and week."""
    if study.missing.table.empty:
        return Section((absent(f"weeks at which values were due. {' '.join(study.missing.notes)}"),))
    if study.nothing_missing:
        return Section((Passage((NOTHING_MISSING,)),))
    found = study.missing_patterns
    tables = () if isinstance(found, Lacking) else (_kinds_table(found), *_at_the_start(found))
    told, message = missing_words(study.found), missing_title(study.found)
    return Section((missing_figure(study.missing, study.measure, told=told, message=message), *tables))


def _kinds_table(found: MissingPatterns) -> Table:
    """Show how many patients were seen throughout, stopped coming, or came with gaps."""
    return share_table(
        found.kinds,
        "Patients by their pattern of visits.",
        Column("kind", "Pattern"),
        ("count", "n"),
        notes=found.notes[1:2],
        name="missing-kinds",
        rows_grouped_by="protocol",
    )


def _at_the_start(found: MissingPatterns) -> list[Item]:
    """Show how those missing at the week differed at the start from those seen, or say that there is no start to show."""
    known = found.baseline.groupby("variable")[["n_seen", "n_missing"]].transform("sum").sum(axis=1) > 0
    rows = found.baseline[known]
    items: list[Item] = [_start_table(found, rows)] if len(rows) else []
    if not rows["variable"].eq(BASELINE).any():
        label, week = in_text(found.label), numbers.moment(found.week)
        items.append(absent(f"a baseline of {label}, so those missing and seen at {week} are not compared by it."))
    return items


def _start_table(found: MissingPatterns, rows: pd.DataFrame) -> Table:
    words = rows["variable"].astype("str").str.replace("_", " ")
    category = rows["category"].astype("object")
    shares = category.notna()
    lines = words.where(~shares, words.str.cat(": " + category.astype("str")))
    shown = rows.assign(
        line=lines,
        at_start_seen=_mean_or_share(rows["seen"], shares),
        at_start_missing=_mean_or_share(rows["missing"], shares),
    )
    return Table(
        shown,
        "Patients seen and missing at the week, as they were at the start.",
        (
            Column("line", "At the start"),
            Column("n_seen", "Seen", "count"),
            Column("at_start_seen", "Mean or share, seen", "right"),
            Column("n_missing", "Missing", "count"),
            Column("at_start_missing", "Mean or share, missing", "right"),
            Column("standardised_difference", "Standardised difference", "signed", 2),
        ),
        found.notes[2:],
        name="missing-start",
        rows_grouped_by="protocol",
    )


def _mean_or_share(values: pd.Series, shares: pd.Series) -> list[str]:
    pairs = zip(values, shares, strict=True)
    return [numbers.share(value) if share else numbers.number(value, 2) for value, share in pairs]
