"""The responder analysis counted in other ways, for the appendix: adjusted, repeated, kept, both directions, symmetry."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from analysis.curves.recovery import adjustment
from analysis.curves.recovery_choices import adjusted_in_words
from analysis.errors import KneecurveError
from analysis.outcomes.endpoint import choose_endpoint
from analysis.outcomes.patients.expected_visits import expected_weeks, seen_weeks
from analysis.outcomes.responders.adjusted_difference import adjusted_difference
from analysis.outcomes.responders.better_or_worse import better_or_worse
from analysis.outcomes.responders.kept_response import reached_and_kept
from analysis.outcomes.responders.limb_symmetry import limb_symmetry
from analysis.outcomes.responders.paired_difference import responders_at_two_weeks
from analysis.outcomes.responders.repeated_responders import repeated_responders
from analysis.outcomes.responders.stratified_difference import stratified_responders
from analysis.outcomes.responders.threshold_grid import ThresholdGrid, threshold_grid
from analysis.outcomes.responders.time_to_response import time_to_response
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.parts.tables import Column, Table

if TYPE_CHECKING:
    from analysis.outcomes import Endpoint, Responders
    from analysis.report.comparison.study import Study
    from analysis.report.parts.figures import Figure

    Items = list[Passage | Figure | Table]


#: Torque of the involved limb in N·m/kg that is a common target (common practice, no source).
TORQUE_TO_REACH = 3.0


def other_counts(study: Study) -> Section:
    """Show the responder analysis counted in other ways, so that the conclusion hangs on no single rule.

    Parameters
    ----------
    study : Study
        The comparison. Of its responder analyses the last one is taken: that of the measure itself, or of the measure
        beside it that has an accepted minimal important change.
    """
    if not study.responders:
        return Section((absent(f"responders. {study.no_responders}."),))
    found = study.responders[-1]
    if not found.table["n"].any():
        return Section(
            (
                absent(
                    f"changes of {in_text(found.endpoint.measure.label)} by week {numbers.week(found.endpoint.week)}."
                ),
            )
        )
    chosen = found.endpoint.to_reach
    items: Items = [
        Passage((f"{found.endpoint.measure.label}, {chosen.name} {chosen.value:g} {chosen.unit}, in other ways.",))
    ]
    if len(found.differences):
        items += _side_by_side(study, found)
    items += _directions(study, found)
    items += _kept_and_first(study, found)
    return Section(tuple(items))


def symmetry(study: Study) -> Section:
    """Show limb symmetry with the absolute torque and the limb before surgery beside it."""
    week = study.primary_week
    if week is None:
        return Section((absent("a week at which limb symmetry could be counted."),))
    try:
        endpoint = choose_endpoint(
            study.cohort, "quadriceps_torque", week=week, threshold=TORQUE_TO_REACH, criterion="state",
            limb="involved", reference=study.reference, level=study.level,
        )  # fmt: skip
        found = limb_symmetry(study.cohort, endpoint)
    except KneecurveError as error:
        return Section((absent(f"what limb symmetry needs. {error.what}"),))
    if not found.table["n"].any():
        return Section((absent(f"quadriceps torque of both limbs at week {numbers.week(week)}."),))
    percent = numbers.level_in_words(study.level)
    limits = found.table["threshold"].map("{:g}".format) + " " + found.table["unit"].astype("str")
    line = found.table["criterion"].astype("str").str.cat(": " + limits + " or more")
    table = found.table.assign(
        line=line.where(found.table["threshold"].notna(), found.table["criterion"].astype("str"))
    )
    shown = Table(
        table,
        f"Limb symmetry of quadriceps torque at week {numbers.week(week)}, with what it can hide.",
        (
            Column("protocol", "Protocol"),
            Column(("responders", "n"), "Patients", "fraction"),
            Column(("share", "lower", "upper"), f"Share ({percent} interval)", "share with interval"),
        ),
        (f"Intervals: {found.table['method'].iloc[0]}.", *found.notes),
        name="symmetry",
        rows_grouped_by="line",
    )
    return Section((shown,))


def _side_by_side(study: Study, found: Responders) -> Items:
    """One table of the difference by every way of counting, and the ratios."""
    percent = numbers.level_in_words(study.level)
    grid, endpoint = threshold_grid(study.cohort, _compared(found)), found.endpoint
    parts = [(f"as in the report, missing visits: {found.endpoint.missing}", found.differences)]
    other = "non-response" if found.endpoint.missing == "excluded" else "excluded"
    chosen = grid.differences[grid.differences["chosen"] & (grid.differences["missing"] == other)]
    parts.append((f"missing visits: {other}", chosen))
    notes: list[str] = []
    try:
        adjusted_for = adjustment(study.cohort, endpoint.measure.name, limb=endpoint.limb)
        adjusted = adjusted_difference(study.cohort, found, covariates=adjusted_for)
        parts.append((f"adjusted for {adjusted_in_words(adjusted_for) or 'nothing'}", adjusted.differences))
        notes += adjusted.notes
    except KneecurveError as error:
        notes.append(f"No adjusted difference: {error.what}")
    within, said = _within_sites(study, found)
    parts += within
    notes += said
    try:
        repeated = repeated_responders(study.cohort, _compared(found))
        rows = repeated.differences[repeated.differences["week"].isin([found.endpoint.week, "mean"])]
        for week, part in rows.groupby("week", sort=False):
            what = "mean over the weeks" if week == "mean" else f"week {numbers.week(float(str(week)))}"
            parts.append((f"all visits together, {what}", part))
        notes += repeated.notes[1:]
    except KneecurveError as error:
        notes.append(f"No joint analysis of all visits: {error.what}")
    table = pd.concat([part.assign(way=way) for way, part in parts], ignore_index=True)
    order = {str(name): place for place, name in enumerate(found.table["protocol"])}
    table = table.sort_values("protocol", key=lambda names: names.astype(str).map(order), kind="stable")
    side = Table(
        table,
        f"Difference from {found.reference} in the share of responders at week {numbers.week(found.endpoint.week)}, counted in "
        "several ways.",
        (
            Column("way", "Way of counting"),
            Column(("difference", "lower", "upper"), f"Percentage points ({percent} interval)", "points with interval"),
            Column("method", "Method of the interval"),
        ),
        tuple(dict.fromkeys(notes)),
        name="ways-of-counting",
        rows_grouped_by="protocol",
    )
    return [side, _ratios(found, percent), _along_thresholds(grid, found, percent)]


def _compared(found: Responders) -> Endpoint:
    """Give the endpoint with the protocol that it was compared with."""
    return replace(found.endpoint, reference=found.reference)


def _within_sites(study: Study, found: Responders) -> tuple[list[tuple[str, pd.DataFrame]], list[str]]:
    """Give the difference within sites, where there are several, and what it is made of."""
    if "site" not in study.cohort.patients or study.cohort.patients["site"].nunique() < 2:
        return [], []
    table = stratified_responders(study.cohort, found)
    known = table[table["difference"].notna()]
    notes = [
        f"Within sites, {row.protocol}: {numbers.plural(row.strata, 'site')} with patients of both protocols; "
        f"{numbers.plural(row.left_out, 'patient')} of other sites or without one left out."
        if row.strata
        else f"Within sites, {row.protocol}: at no site patients of both protocols were counted."
        for row in table.itertuples()
    ]
    return [("within sites", known)] if len(known) else [], notes


def _ratios(found: Responders, percent: str) -> Table:
    return Table(
        found.ratios,
        f"Ratio of shares and odds ratio against {found.reference}, week {numbers.week(found.endpoint.week)}.",
        (
            Column("protocol", "Protocol"),
            Column(("ratio", "ratio_lower", "ratio_upper"), f"Ratio ({percent} interval)", "number with interval", 2),
            Column(
                ("odds_ratio", "odds_ratio_lower", "odds_ratio_upper"),
                f"Odds ratio ({percent} interval)",
                "number with interval",
                2,
            ),
        ),
        (f"Intervals: {found.ratios['method'].iloc[0]}.", "Above 1: more responders than the protocol compared with."),
        name="ratios",
    )


def _along_thresholds(grid: ThresholdGrid, found: Responders, percent: str) -> Table:
    rows = grid.differences[grid.differences["missing"] == found.endpoint.missing]
    shown = rows.assign(
        mark=[
            f"{value:g}{' (used)' if chosen else ''}"
            for value, chosen in zip(rows["threshold"], rows["chosen"], strict=True)
        ]
    )
    return Table(
        shown,
        f"Difference from {found.reference} in the share of responders, at other thresholds ({found.endpoint.to_reach.unit}).",
        (
            Column("mark", "Threshold"),
            Column(("difference", "lower", "upper"), f"Percentage points ({percent} interval)", "points with interval"),
        ),
        (f"Intervals: {rows['method'].iloc[0]}, each by itself.", *grid.notes[1:]),
        name="other-thresholds",
        rows_grouped_by="protocol",
    )


def _directions(study: Study, found: Responders) -> Items:
    both = better_or_worse(study.cohort, _compared(found))
    percent = numbers.level_in_words(study.level)
    return [
        Table(
            both.table,
            f"Better, unchanged and worse by week {numbers.week(found.endpoint.week)}.",
            (
                Column("direction", "Direction"),
                Column(("patients", "n"), "Patients", "fraction"),
                Column(("share", "lower", "upper"), f"Share ({percent} interval)", "share with interval"),
            ),
            (f"Intervals: {both.table['method'].iloc[0]}.", *both.notes[1:]),
            name="directions",
            rows_grouped_by="protocol",
        )
    ]


def _kept_and_first(study: Study, found: Responders) -> Items:
    items: Items = []
    percent = numbers.level_in_words(study.level)
    try:
        kept = reached_and_kept(study.cohort, _compared(found))
        items.append(
            Table(
                kept.table,
                f"Reached the threshold by week {numbers.week(found.endpoint.week)} and kept it.",
                (
                    Column("protocol", "Protocol"),
                    Column(("responders", "n"), "Patients", "fraction"),
                    Column(("share", "lower", "upper"), f"Share ({percent} interval)", "share with interval"),
                ),
                (f"Intervals: {kept.table['method'].iloc[0]}.", *kept.notes[1:]),
                name="kept",
            )
        )
    except KneecurveError as error:
        items.append(absent(f"visits at which the improvement could have been kept. {error.what}"))
    items += _two_weeks(study, found)
    first = time_to_response(study.cohort, _compared(found))
    if first.table.empty:
        return [*items, absent("a patient who reached the threshold.")]
    items.append(
        Table(
            first.table,
            "Threshold first reached, by week.",
            (
                Column("week", "Week", "week"),
                Column(("reached", "at_risk"), "First reached at this visit, of those still at risk", "fraction"),
                Column(("share", "lower", "upper"), f"Reached by then ({percent} interval)", "share with interval"),
            ),
            (f"Intervals: {first.table['method'].iloc[0]}.", *first.notes[1:]),
            name="first-reached",
            rows_grouped_by="protocol",
        )
    )
    return items


def _two_weeks(study: Study, found: Responders) -> Items:
    """Show the responders at the week and at the visit before it, in the patients judged at both; nothing without one."""
    endpoint = found.endpoint
    expected = expected_weeks(seen_weeks(study.cohort, endpoint.measure.name, endpoint.limb))
    before = [week for week in expected if 0 < week < found.endpoint.week]
    if not before:
        return []
    two = responders_at_two_weeks(study.cohort, endpoint, earlier=before[-1])
    percent = numbers.level_in_words(study.level)
    earlier, later = (numbers.week(week) for week in two.weeks)
    return [
        Table(
            two.table,
            f"Responders at week {earlier} and at week {later}, in the same patients.",
            (
                Column("protocol", "Protocol"),
                Column("n", "Patients judged at both", "count"),
                Column("gained", f"Only at week {later}", "count"),
                Column("lost", f"Only at week {earlier}", "count"),
                Column("earlier_share", f"Week {earlier}", "share"),
                Column("later_share", f"Week {later}", "share"),
                Column(
                    ("difference", "lower", "upper"), f"Percentage points ({percent} interval)", "points with interval"
                ),
            ),
            (f"Intervals: {two.table['method'].iloc[0]}.", *two.notes[1:]),
            name="two-weeks",
        )
    ]
