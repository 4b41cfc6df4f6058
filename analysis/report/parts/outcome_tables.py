"""Tables of counts with their shares, of the home programme and of change: one call a table."""

from collections.abc import Sequence

import pandas as pd

from analysis.outcomes.change.gap_regained import GapRegained
from analysis.outcomes.home_programme.events_by_week import EventsByWeek
from analysis.outcomes.home_programme.weeks_with_enough import WeeksWithEnough
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text, shown_decimals
from analysis.report.parts.tables import Column, Table, intervals_by, level_of


def share_table(
    table: pd.DataFrame,
    caption: str,
    of: Column,
    counted: tuple[str, str] = ("responders", "n"),
    counted_words: str = "Patients",
    share_words: str = "Share",
    *,
    notes: Sequence[str] = (),
    name: str,
    rows_grouped_by: str = "",
) -> Table:
    """Show how many patients there are of how many, and their share with its interval.

    The table has share (0 to 1), lower, upper, level, method and the columns ``counted``, numerator and denominator; ``of`` heads a
    row. ``notes`` come after the one on the method of the intervals; ``name`` and ``rows_grouped_by`` are those of :class:`Table`.

    Examples
    --------
    >>> import pandas as pd
    >>> found = {"protocol": "usual", "responders": 5, "n": 20, "share": 0.25, "lower": 0.11, "upper": 0.47}
    >>> found |= {"level": 0.95, "method": "Wilson score"}
    >>> share_table(pd.DataFrame([found]), "Responders.", Column("protocol", "Protocol"), name="responders").rows()
    [['usual', '5/20', '25 % (11 to 47 %)']]
    """
    return Table(
        table,
        caption,
        (
            of,
            Column(counted, counted_words, "fraction"),
            Column("share", f"{share_words} ({level_of(table)} interval)", "share with interval"),
        ),
        (intervals_by(table), *notes),
        name=name,
        rows_grouped_by=rows_grouped_by,
    )


def weeks_table(found: WeeksWithEnough) -> Table:
    """Show the share of weeks with enough of the sessions done: 80 %, and the user's share."""
    rows = found.table.assign(at_least=[numbers.share(value) for value in found.table["enough"]])
    return Table(
        rows.assign(group=rows["protocol"] + ", " + rows["modality"]),
        "Share of the programme's weeks in which enough of the sessions prescribed was done.",
        (
            Column("at_least", "At least"),
            Column("n", "Patients", "count"),
            Column(("weeks_reached", "weeks"), "Weeks reached / known", "fraction"),
            Column("mean", f"Mean share of weeks ({level_of(found.table)} interval)", "share with interval"),
            Column(("lower_quartile", "upper_quartile"), "Quartiles of patients", "shares"),
        ),
        (intervals_by(found.table), *found.notes),
        name="weeks-with-enough",
        rows_grouped_by="group",
    )


def events_by_week_table(found: EventsByWeek) -> Table:
    """Show harms beside the sessions done, week by week."""
    parts = []
    for row in found.overall.itertuples():
        rate = "no patient-week with an entry of sessions, so no rate"
        if row.patient_weeks:
            rate = (
                f"{numbers.plural(row.events, 'harm')} in {numbers.plural(row.patient_weeks, 'patient-week')}, "
                f"{numbers.number(row.per_100_patient_weeks, 2)} in 100 ({numbers.level_in_words(float(str(row.level)))} "
                f"interval {numbers.interval(row.lower, row.upper, 2)}, {row.method})"
            )
        parts.append(
            f"With {row.protocol} {rate}; {numbers.count(row.after_programme)} after the programme, "
            f"{numbers.count(row.outside_record)} outside the record."
        )
    return Table(
        found.table,
        "Harms beside the sessions done, by week of the home programme.",
        (
            Column("week", "Week", "week"),
            Column("n", "Patients with an entry", "count"),
            Column("share_of_sessions", "Sessions done of prescribed", "share"),
            Column("patients", "Patients with a harm", "count"),
            Column("events", "Harms", "count"),
            Column("serious", "Serious", "count"),
            Column("related", "Held related", "count"),
        ),
        (*parts, *found.notes),
        name="events-by-week",
        rows_grouped_by="protocol",
    )


def gap_table(found: GapRegained) -> Table:
    """Show how much of the gap to the other limb was regained."""
    measure = found.endpoint.measure
    decimals, percent = shown_decimals(measure), level_of(found.table)
    return Table(
        found.table,
        f"Gap to the other limb in {in_text(measure.label)} regained by {numbers.moment(found.endpoint.week)}.",
        (
            Column("protocol", "Protocol"),
            Column(("n", "allocated"), "Counted / patients", "fraction"),
            Column("no_gap_before", "Without a gap before", "count"),
            Column("gap_before", f"Gap before ({measure.unit})", "signed", decimals),
            Column("gap", f"Gap at the week ({measure.unit})", "signed", decimals),
            Column("regained_percent", f"Regained, % ({percent} interval)", "number with interval"),
            Column("median_percent", "Median of patients, %", "number"),
        ),
        (intervals_by(found.table), *found.notes),
        name="gap-regained",
    )
