"""Home sessions and recovery in more detail: for the appendix, each number labelled by what it can and cannot say."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.errors import KneecurveError
from analysis.outcomes import (
    adherence_association,
    adherence_classes,
    complier_effect,
    events_by_week,
    gap_regained,
    time_to_stopping,
    weeks_at_threshold,
)
from analysis.outcomes.complier_effect import WEAK
from analysis.report.adherence_figures import classes_figure, stopping_figure
from analysis.report.dose_change_figures import dose_change_figure, effect_figure
from analysis.report.outcome_tables import events_by_week_table, gap_table, weeks_table
from analysis.report.passages import Passage, Section, absent

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.report.comparison.study import Study
    from analysis.report.figures import Figure
    from analysis.report.tables import Table

    Item = Passage | Figure | Table


def adherence_detail(study: Study) -> Section:
    """Show when patients stopped, the courses of adherence, weeks with enough sessions, and harms beside them.

    Parameters
    ----------
    study : Study
        The comparison.
    """
    if not study.adherence.recorded or not study.adherence.table["n"].any():
        return Section((absent("home sessions."),))
    cohort, level = study.cohort, study.level
    items = [
        _or_absent(lambda: stopping_figure(time_to_stopping(cohort, level=level)), "when sessions stopped"),
        _or_absent(lambda: classes_figure(adherence_classes(cohort, level=level)), "courses of adherence"),
        _or_absent(
            lambda: weeks_table(
                weeks_at_threshold(cohort, threshold=study.parameters["adherence_threshold"], level=level)
            ),
            "weeks with enough sessions",
        ),
    ]
    if study.events.recorded and study.events.table["events"].any():
        items.append(_or_absent(lambda: events_by_week_table(events_by_week(cohort, level=level)), "harms by week"))
    return Section(tuple(items))


def dose_and_recovery(study: Study) -> Section:
    """Set what was done at home against recovery; by the allocation too where it was drawn by lot.

    Parameters
    ----------
    study : Study
        The comparison.
    """
    if not study.adherence.recorded or not study.adherence.table["n"].any():
        return Section((absent("home sessions."),))
    if study.curves is None or not study.curves.scheduled:
        return Section((absent("a week at which recovery could be set against what was done at home."),))
    week, name = study.curves.primary_week, study.measure.name
    items: list[Item] = [
        _or_absent(
            lambda: dose_change_figure(
                adherence_association(study.cohort, name, week=week, limb=study.limb, level=study.level), study.measure
            ),
            "what an association needs",
        )
    ]
    if study.allocation == "randomised" and len(study.curves.protocols) > 1:
        items += _by_allocation(study)
    return Section(tuple(items))


def gap(study: Study) -> Section:
    """Show how much of the gap to the other limb was regained.

    Parameters
    ----------
    study : Study
        The comparison.
    """
    if study.curves is None or not study.curves.scheduled or "involved" not in study.measure.limbs:
        return Section((absent("a measure of both limbs with a schedule."),))
    week = study.curves.primary_week
    return Section(
        (
            _or_absent(
                lambda: gap_table(
                    gap_regained(
                        study.cohort, study.measure.name, week=week, level=study.level,
                        reference=study.reference,
                    ),
                    study.measure,
                ),
                "the other limb",
            ),
        )
    )  # fmt: skip


def _by_allocation(study: Study) -> list[Item]:
    """Show what the dose did by allocation, for the protocols whose allocation moved the dose; say where it did not."""
    if study.curves is None:
        return []
    try:
        found = complier_effect(
            study.cohort,
            study.measure.name,
            week=study.curves.primary_week,
            limb=study.limb,
            randomised=True,
            covariates=study.curves.adjusted_for,
            reference=study.curves.protocols[0],
            level=study.level,
        )
    except KneecurveError as error:
        return [absent(f"what an estimate by allocation needs. {error.what}")]
    strong = found.table["first_stage_f"] >= WEAK
    said = [
        f"{row.protocol}: no estimate of what the home dose did is shown, since the allocation hardly moved the dose "
        f"(F {row.first_stage_f:.1f}, below {WEAK:g})."
        for row in found.table[~strong].itertuples()
    ]
    items: list[Item] = []
    if strong.any():
        items.append(effect_figure(replace(found, table=found.table[strong].reset_index(drop=True)), study.measure))
    return [*items, Passage(tuple(said), "items")] if said else items


def _or_absent(make: Callable[[], Item], what: str) -> Item:
    """Show the item, or say why it cannot be made."""
    try:
        return make()
    except KneecurveError as error:
        return absent(f"{what}. {error.what}")
