"""The responder analysis counted in other ways, for the appendix: adjusted, repeated, kept, both directions, symmetry."""

import pandas as pd

from analysis.curves.covariates import adjusted_in_words
from analysis.outcomes import Responders, RespondersAtTwoWeeks
from analysis.outcomes.responders.better_or_worse import BetterOrWorse
from analysis.outcomes.responders.threshold_grid import ThresholdGrid
from analysis.report.comparison.results import CountedOtherwise, Lacking
from analysis.report.comparison.study import Study
from analysis.report.parts import numbers
from analysis.report.parts.outcome_tables import share_table
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table, intervals_by, level_of


def other_counts(study: Study) -> Section:
    """Show the responder analysis counted in other ways, so that the conclusion hangs on no single rule.

    Parameters
    ----------
    study : Study
        The comparison. Of its responder analyses the last one is taken: that of the measure itself, or of the measure
        beside it that has an accepted minimal important change.
    """
    found = study.counted_otherwise
    if isinstance(found, Lacking):
        return Section((absent(found.what),))
    measure, chosen = found.of.endpoint.measure, found.of.endpoint.to_reach
    items: list[Item] = [Passage((f"{measure.label}, {chosen.name} {chosen.value:g} {chosen.unit}, in other ways.",))]
    if found.grid is not None:
        items += [_side_by_side(found, found.grid), _ratios(found.of)]
        items += [] if measure.is_yes_no else [_along_thresholds(found.grid, found.of)]
    if found.directions is not None:
        items.append(_directions(found.directions))
    items += _kept_and_first(found)
    return Section(tuple(items))


def symmetry(study: Study) -> Section:
    """Show limb symmetry with the absolute torque and the limb before surgery beside it."""
    found = study.symmetry
    if isinstance(found, Lacking):
        return Section((absent(found.what),))
    limits = found.table["threshold"].map("{:g}".format) + " " + found.table["unit"].astype("str")
    line = found.table["criterion"].astype("str").str.cat(": " + limits + " or more")
    table = found.table.assign(
        line=line.where(found.table["threshold"].notna(), found.table["criterion"].astype("str"))
    )
    shown = share_table(
        table,
        f"Limb symmetry of quadriceps torque at {numbers.moment(found.endpoint.week)}, with what it can hide.",
        Column("protocol", "Protocol"),
        notes=found.notes,
        name="symmetry",
        rows_grouped_by="line",
    )
    return Section((shown,))


def _side_by_side(otherwise: CountedOtherwise, grid: ThresholdGrid) -> Table:
    """One table of the difference by every way of counting."""
    found = otherwise.of
    parts = [(f"as in the report, missing visits: {found.endpoint.missing}", found.differences)]
    other = "non-response" if found.endpoint.missing == "excluded" else "excluded"
    chosen = grid.differences[grid.differences["chosen"] & (grid.differences["missing"] == other)]
    parts.append((f"missing visits: {other}", chosen))
    notes: list[str] = []
    adjusted, repeated = otherwise.adjusted, otherwise.repeated
    if isinstance(adjusted, Lacking):
        notes.append(f"No adjusted difference. {adjusted.what}")
    elif adjusted is not None:
        parts.append((f"adjusted for {adjusted_in_words(otherwise.adjusted_for) or 'nothing'}", adjusted.differences))
        notes += adjusted.notes
    if otherwise.within_sites is not None:
        within, said = _within_sites(otherwise.within_sites)
        parts += within
        notes += said
    if isinstance(repeated, Lacking):
        notes.append(f"No joint analysis of all visits. {repeated.what}")
    elif repeated is not None:
        rows = repeated.differences[repeated.differences["week"].isin([found.endpoint.week, "mean"])]
        for week, part in rows.groupby("week", sort=False):
            what = "mean over the weeks" if week == "mean" else f"{numbers.moment(float(str(week)))}"
            parts.append((f"all visits together, {what}", part))
        notes += repeated.notes[1:]
    table = pd.concat([part.assign(way=way) for way, part in parts], ignore_index=True)
    order = {str(name): place for place, name in enumerate(found.table["protocol"])}
    table = table.sort_values("protocol", key=lambda names: names.astype(str).map(order), kind="stable")
    return Table(
        table,
        f"Difference from {found.reference} in the share of responders at {numbers.moment(found.endpoint.week)}, counted in "
        "several ways.",
        (
            Column("way", "Way of counting"),
            Column("difference", f"Percentage points ({level_of(table)} interval)", "points with interval"),
            Column("method", "Method of the interval"),
        ),
        tuple(dict.fromkeys(notes)),
        name="ways-of-counting",
        rows_grouped_by="protocol",
    )


def _within_sites(table: pd.DataFrame) -> tuple[list[tuple[str, pd.DataFrame]], list[str]]:
    """Give the difference within sites, where there are several, and what it is made of."""
    known = table[table["difference"].notna()]
    notes = [
        f"Within sites, {row.protocol}: {numbers.plural(row.strata, 'site')} with patients of both protocols; "
        f"{numbers.plural(row.left_out, 'patient') if row.left_out else 'nobody'} of other sites or without one left out."
        if row.strata
        else f"Within sites, {row.protocol}: at no site patients of both protocols were counted."
        for row in table.itertuples()
    ]
    return [("within sites", known)] if len(known) else [], notes


def _ratios(found: Responders) -> Table:
    percent = level_of(found.ratios)
    odds_ratio = ("odds_ratio", "odds_ratio_lower", "odds_ratio_upper")
    return Table(
        found.ratios,
        f"Ratio of shares and odds ratio against {found.reference}, {numbers.moment(found.endpoint.week)}.",
        (
            Column("protocol", "Protocol"),
            Column(("ratio", "ratio_lower", "ratio_upper"), f"Ratio ({percent} interval)", "number with interval", 2),
            Column(odds_ratio, f"Odds ratio ({percent} interval)", "number with interval", 2),
        ),
        (intervals_by(found.ratios), "Above 1: more responders than the protocol compared with."),
        name="ratios",
    )


def _along_thresholds(grid: ThresholdGrid, found: Responders) -> Table:
    rows = grid.differences[grid.differences["missing"] == found.endpoint.missing]
    used = rows["chosen"].map({True: " (used)", False: ""})
    return Table(
        rows.assign(mark=rows["threshold"].map("{:g}".format) + used),
        f"Difference from {found.reference} in the share of responders, at other thresholds ({found.endpoint.to_reach.unit}).",
        (
            Column("mark", "Threshold"),
            Column("difference", f"Percentage points ({level_of(rows)} interval)", "points with interval"),
        ),
        (f"Intervals: {rows['method'].iloc[0]}, each by itself.", *grid.notes[1:]),
        name="other-thresholds",
        rows_grouped_by="protocol",
    )


def _directions(both: BetterOrWorse) -> Table:
    return share_table(
        both.table,
        f"Better, unchanged and worse by {numbers.moment(both.endpoint.week)}.",
        Column("direction", "Direction"),
        ("patients", "n"),
        notes=both.notes[1:],
        name="directions",
        rows_grouped_by="protocol",
    )


def _kept_and_first(found: CountedOtherwise) -> list[Item]:
    items: list[Item] = []
    kept, first = found.kept, found.first_reached
    if isinstance(kept, Lacking):
        items.append(absent(kept.what))
    else:
        caption = f"Reached the threshold by {numbers.moment(kept.endpoint.week)} and kept it."
        of = Column("protocol", "Protocol")
        items.append(share_table(kept.table, caption, of, notes=kept.notes[1:], name="kept"))
    if found.two_weeks is not None:
        items.append(_two_weeks(found.two_weeks))
    if first.table.empty:
        return [*items, absent("a patient who reached the threshold.")]
    items.append(
        share_table(
            first.table,
            "Threshold first reached, by week.",
            Column("week", "Week", "week"),
            ("reached", "at_risk"),
            "First reached at this visit, of those still at risk",
            "Reached by then",
            notes=first.notes[1:],
            name="first-reached",
            rows_grouped_by="protocol",
        )
    )
    return items


def _two_weeks(two: RespondersAtTwoWeeks) -> Table:
    """Show the responders at the week and at the visit before it, in the patients judged at both."""
    earlier, later = (numbers.moment(week) for week in two.weeks)
    return Table(
        two.table,
        f"Responders at {earlier} and at {later}, in the same patients.",
        (
            Column("protocol", "Protocol"),
            Column("n", "Patients judged at both", "count"),
            Column("gained", f"Only at {later}", "count"),
            Column("lost", f"Only at {earlier}", "count"),
            Column("earlier_share", f"Week {earlier}", "share"),
            Column("later_share", f"Week {later}", "share"),
            Column("difference", f"Percentage points ({level_of(two.table)} interval)", "points with interval"),
        ),
        (intervals_by(two.table), *two.notes[1:]),
        name="two-weeks",
    )
