"""Beyond the one outcome: secondary ones in order, and groups of patients."""

from analysis.outcomes.comparisons.compare_outcomes import OutcomesInOrder
from analysis.report.comparison.findings.outcome_words import (
    groups_words,
    secondary_title,
    secondary_words,
    verdict_in_words,
)
from analysis.report.comparison.results import Lacking
from analysis.report.comparison.study import Study
from analysis.report.figures.forest_figures import outcomes_figure, subgroup_figure
from analysis.report.parts import numbers
from analysis.report.parts.numbers import shown_decimals
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table

_NONE_NAMED = "No further outcome was named for this report"
#: Groups by so many characteristics have slides (design choice).
_ON_SLIDES = 2
_NO_GROUPS = "No groups of patients were named for this report."


def several_outcomes(study: Study) -> Section:
    """Show the primary outcome and the secondary ones in order: in their units, and as a forest in standard deviations."""
    if not study.parameters["secondary"]:
        neither = "." if study.parameters["subgroups"] else ", and no groups of patients."
        return Section((Passage((f"{_NONE_NAMED}{neither}",)),))
    found = study.outcomes_in_order
    if isinstance(found, Lacking):
        return Section((absent(found.what),))
    figure = outcomes_figure(found, message=secondary_title(study.found.in_order))
    return Section((Passage((secondary_words(study.found.in_order),)), _table(study, found), figure))


def _table(study: Study, found: OutcomesInOrder) -> Table:
    percent, judged = numbers.level_in_words(study.level), study.found.in_order
    table = found.table.assign(
        outcome=[f"{one.place}. {one.measure.label} ({one.measure.unit})" for one in judged],
        shown=[
            numbers.signed_with_interval(one.estimate, one.lower, one.upper, shown_decimals(one.measure))
            for one in judged
        ],
        verdict=[verdict_in_words(one.verdict, one.protocol, one.reference, study.allocation) for one in judged],
    )
    return Table(
        table,
        f"Outcomes in the order in which they are tested, differences from {found.table['reference'].iloc[0]}.",
        (
            Column("outcome", "Outcome"),
            Column("week", "Week", "week"),
            Column("n", "Seen", "count"),
            Column("shown", f"Difference ({percent} interval)", "right"),
            Column("p_value", "P value", "p"),
            Column("adjusted_p_value", "P in order", "p"),
            Column("verdict", "What it says"),
        ),
        (*found.notes, "P in order: over all outcomes and protocols (Bretz et al., Stat Med 2009;28:586)."),
        name="outcomes",
        rows_grouped_by="protocol",
    )


def subgroup_differences(study: Study) -> Section:
    """Show the difference within groups of patients, and whether it is told apart between them."""
    if not study.parameters["subgroups"]:
        return Section((Passage((_NO_GROUPS,)),) if study.parameters["secondary"] else ())
    items: list[Item] = []
    judged = {one.by: one for one in study.found.groups}
    drawn = 0
    for by, found in study.by_subgroup.items():
        if isinstance(found, Lacking):
            items.append(absent(found.what))
            continue
        said = groups_words(judged[by])
        items += [
            Passage((said,)),
            subgroup_figure(found, message=said.removesuffix(".") if drawn < _ON_SLIDES else ""),
        ]
        drawn += 1
    return Section(tuple(items))
