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
    weeks_with_enough,
)
from analysis.outcomes.home_programme.complier_effect import WEAK
from analysis.report.figures.adherence_figures import classes_figure, stopping_figure
from analysis.report.figures.dose_change_figures import dose_change_figure, effect_figure, instrument_table
from analysis.report.parts import numbers
from analysis.report.parts.outcome_tables import events_by_week_table, gap_table, weeks_table
from analysis.report.parts.passages import Passage, Section, absent

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from analysis.report.comparison.study import Study
    from analysis.report.parts.figures import Figure
    from analysis.report.parts.tables import Table

    Item = Passage | Figure | Table


def adherence_detail(study: Study) -> Section:
    """Show when patients stopped, the courses of adherence, weeks with enough sessions, and harms beside them."""
    if not study.adherence.recorded or not study.adherence.table["n"].any():
        return Section((absent("home sessions."),))
    cohort, level = study.cohort, study.level
    items = [
        _or_absent(lambda: stopping_figure(time_to_stopping(cohort, level=level)), "when sessions stopped"),
        _or_absent(lambda: classes_figure(adherence_classes(cohort, level=level)), "courses of adherence"),
        _or_absent(
            lambda: weeks_table(weeks_with_enough(cohort, enough=study.parameters["enough_sessions"], level=level)),
            "weeks with enough sessions",
        ),
    ]
    if study.events.recorded and study.events.table["events"].any():
        items.append(_or_absent(lambda: events_by_week_table(events_by_week(cohort, level=level)), "harms by week"))
    return Section(tuple(items))


def dose_and_recovery(study: Study) -> Section:
    """Set what was done at home against recovery; by the allocation too where it was drawn by lot."""
    if not study.adherence.recorded or not study.adherence.table["n"].any():
        return Section((absent("home sessions."),))
    if study.curves is None or not study.curves.scheduled:
        return Section((absent("a week at which recovery could be set against what was done at home."),))
    items: list[Item] = [_association(study, modality) for modality in _modalities(study)]
    if study.allocation == "randomised" and len(study.curves.protocols) > 1:
        items += _by_allocation(study)
    return Section(tuple(items))


def gap(study: Study) -> Section:
    """Show how much of the gap to the other limb was regained."""
    week = study.primary_week
    if (
        week is None
        or (study.curves is not None and not study.curves.scheduled)
        or "involved" not in study.measure.limbs
    ):
        return Section((absent("a measure of both limbs with a week at which it was to be taken."),))
    return Section(
        (
            _or_absent(
                lambda: gap_table(gap_regained(study.cohort, study.means(study.reference, limb="involved"))),
                "the other limb",
            ),
        )
    )  # fmt: skip


def _modalities(study: Study) -> list[str]:
    """Name the modalities of the sessions in their order."""
    return list(dict.fromkeys(study.adherence.overall["modality"].astype("str")))


def _association(study: Study, modality: str) -> Item:
    """Set the sessions of one modality against recovery, in the protocols that prescribe it."""
    try:
        found = adherence_association(study.cohort, study.means(None), modality=modality)
    except KneecurveError as error:
        return absent(f"what an association of {modality} with recovery needs. {error.what}")
    if not found.table["slope"].notna().any():
        return absent(
            f"enough patients who did more and less {modality}, with the improvement known, to set it against recovery."
        )
    return dose_change_figure(found)


def _by_allocation(study: Study) -> list[Item]:
    """Show what the dose of each modality did by allocation, for the protocols whose allocation moved it; say where not."""
    if study.curves is None:
        return []
    items: list[Item] = []
    said: list[str] = []
    moved: dict[str, list[str]] = {}
    for modality in _modalities(study):
        try:
            found = complier_effect(
                study.cohort,
                study.means(study.curves.protocols[0]),
                randomised=True,
                modality=modality,
                covariates=study.curves.adjusted_for,
            )
        except KneecurveError as error:
            items.append(absent(f"what an estimate for {modality} by allocation needs. {error.what}"))
            continue
        strong = found.table["first_stage_f"] >= WEAK
        if strong.any():
            shown = replace(found, table=found.table[strong].reset_index(drop=True))
            items += [effect_figure(shown), instrument_table(shown)]
        for name in found.table.loc[strong, "protocol"]:
            moved.setdefault(str(name), []).append(modality)
        said += _not_shown(found.table[~strong], found.by_design, modality)
    together: dict[tuple[str, ...], list[str]] = {}
    for name, kinds in moved.items():
        if len(kinds) > 1:
            together.setdefault(tuple(kinds), []).append(name)
    said += [
        f"{', '.join(names)}: the allocation moved {numbers.listed(kinds)} at once, so that each estimate holds what the other "
        "did too."
        for kinds, names in together.items()
    ]
    return [*items, Passage(tuple(said), "items")] if said else items


def _not_shown(rows: pd.DataFrame, by_design: tuple[str, ...], modality: str) -> list[str]:
    """Say for which protocols no estimate of a modality is shown, and why."""
    if rows.empty:
        return []
    base = str(rows["reference"].iloc[0])
    neither = rows["protocol"].isin(by_design) & (base in by_design)
    weak = rows[rows["first_stage_f"].notna()]
    rest = rows[~neither & rows["first_stage_f"].isna()]
    said = []
    if neither.any():
        names = numbers.listed([str(name) for name in rows.loc[neither, "protocol"]], "and")
        said.append(f"{modality}: prescribed neither to {names} nor to {base}, so the allocation moved no dose of it.")
    if len(weak):
        names = numbers.listed([f"{row.protocol} (F {row.first_stage_f:.1f})" for row in weak.itertuples()])
        said.append(
            f"{modality}: no estimate of what it did is shown for {names}, since the allocation hardly moved the dose (F "
            f"below {WEAK:g})."
        )
    if len(rest):
        names = numbers.listed([str(name) for name in rest["protocol"]])
        said.append(
            f"{modality}: no estimate of what it did can be made for {names}: too few patients with the improvement and the "
            "sessions known, or all with the same dose."
        )
    return said


def _or_absent(make: Callable[[], Item], what: str) -> Item:
    """Show the item, or say why it cannot be made."""
    try:
        return make()
    except KneecurveError as error:
        return absent(f"{what}. {error.what}")
