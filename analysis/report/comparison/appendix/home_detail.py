"""Home sessions and recovery in more detail: for the appendix, each number labelled by what it can and cannot say."""

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

import pandas as pd

from analysis.outcomes import AdherenceAssociation, ComplierEffect
from analysis.outcomes.home_programme.complier_effect import WEAK
from analysis.report.comparison.results import Lacking
from analysis.report.comparison.study import Study
from analysis.report.figures.adherence_figures import classes_figure, stopping_figure
from analysis.report.figures.dose_change_figures import dose_change_figure, effect_figure, instrument_table
from analysis.report.figures.programme_figures import adherence_figure
from analysis.report.parts import numbers
from analysis.report.parts.outcome_tables import events_by_week_table, gap_table, weeks_table
from analysis.report.parts.passages import Item, Passage, Section, absent

Found = TypeVar("Found")


def adherence_detail(study: Study) -> Section:
    """Show when patients stopped, the courses of adherence, weeks with enough sessions, and harms beside them."""
    found = study.at_home
    if isinstance(found, Lacking):
        return Section((absent(found.what),))
    items = [
        adherence_figure(study.adherence),
        _shown(found.stopping, stopping_figure),
        _shown(found.courses, classes_figure),
        _shown(found.weeks_with_enough, weeks_table),
    ]
    if found.harms is not None:
        items.append(_shown(found.harms, events_by_week_table))
    return Section(tuple(items))


def dose_and_recovery(study: Study) -> Section:
    """Set what was done at home against recovery; by the allocation too where it was drawn by lot."""
    found = study.dose_and_recovery
    if isinstance(found, Lacking):
        return Section((absent(found.what),))
    items: list[Item] = [_association(one, modality) for modality, one in found.association.items()]
    return Section((*items, *_by_allocation(found.by_allocation)))


def gap(study: Study) -> Section:
    """Show how much of the gap to the other limb was regained."""
    return Section((_shown(study.gap, gap_table),))


def _association(found: AdherenceAssociation | Lacking, modality: str) -> Item:
    """Set the sessions of one modality against recovery, in the protocols that prescribe it."""
    if isinstance(found, Lacking):
        return absent(found.what)
    if not found.table["slope"].notna().any():
        return absent(
            f"enough patients who did more and less {modality}, with the improvement known, to set it against recovery."
        )
    return dose_change_figure(found)


def _by_allocation(effects: dict[str, ComplierEffect | Lacking]) -> list[Item]:
    """Show what the dose of each modality did by allocation, for the protocols whose allocation moved it; say where not."""
    items: list[Item] = []
    said: list[str] = []
    moved: dict[str, list[str]] = {}
    for modality, found in effects.items():
        if isinstance(found, Lacking):
            items.append(absent(found.what))
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
        f"{numbers.capitalised(', '.join(names))}: the allocation moved {numbers.listed(kinds)} at once, so that each estimate "
        "holds what the other did too."
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
        names = numbers.listed([str(name) for name in rows.loc[neither, "protocol"]])
        said.append(
            f"{numbers.capitalised(modality)}: prescribed neither to {names} nor to {base}, so the allocation moved no dose of it."
        )
    if len(weak):
        names = numbers.listed([f"{row.protocol} (F {row.first_stage_f:.1f})" for row in weak.itertuples()])
        said.append(
            f"{numbers.capitalised(modality)}: no estimate of what it did is shown for {names}, since the allocation hardly moved the dose (F "
            f"below {WEAK:g})."
        )
    if len(rest):
        names = numbers.listed([str(name) for name in rest["protocol"]])
        said.append(
            f"{numbers.capitalised(modality)}: no estimate of what it did can be made for {names}: too few patients with the "
            "improvement and the sessions known, or all with the same dose."
        )
    return said


def _shown(found: Found | Lacking, show: Callable[[Found], Item]) -> Item:
    """Show the result, or say why there is none."""
    return absent(found.what) if isinstance(found, Lacking) else show(found)
