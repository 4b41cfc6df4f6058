"""Beyond the one outcome: secondary ones in order, and groups of patients."""

from analysis.outcomes.comparisons.compare_outcomes import OutcomesInOrder
from analysis.report.comparison.findings.outcome_rules import (
    outcome_verdicts,
    outcomes_words,
    subgroup_words,
    verdict_in_words,
)
from analysis.report.comparison.results import Lacking
from analysis.report.comparison.study import Study
from analysis.report.figures.forest_figures import outcomes_figure, subgroup_figure
from analysis.report.parts import numbers
from analysis.report.parts.losses import too_many_lost
from analysis.report.parts.numbers import shown_decimals
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table

_NONE_NAMED = "No further outcome was named for this report"
_NO_GROUPS = "No groups of patients were named for this report."


def several_outcomes(study: Study) -> Section:
    """Show the primary outcome and the secondary ones in order: in their units, and as a forest in standard deviations."""
    if not study.parameters["secondary"]:
        neither = "." if study.parameters["subgroups"] else ", and no groups of patients."
        return Section((Passage((f"{_NONE_NAMED}{neither}",)),))
    found = study.outcomes_in_order
    if isinstance(found, Lacking):
        return Section((absent(found.what),))
    verdicts = outcome_verdicts(found, study.allocated)
    told = outcomes_words(found, verdicts)
    return Section(
        (
            Passage((told,)),
            _table(study, found, verdicts),
            outcomes_figure(found),
        )
    )


def _table(study: Study, found: OutcomesInOrder, verdicts: list[str]) -> Table:
    percent = numbers.level_in_words(study.level)
    rows, verdict = found.table.to_dict("records"), []
    outcome, shown = [], []
    for row, judged in zip(rows, verdicts, strict=True):
        decimals = shown_decimals(found.curves[str(row["measure"])].measure)
        outcome.append(f"{row['place']}. {row['label']} ({row['unit']})")
        shown.append(
            f"{numbers.signed(row['estimate'], decimals)} ({numbers.interval(row['lower'], row['upper'], decimals)})"
        )
        verdict.append(verdict_in_words(judged, str(row["protocol"]), str(row["reference"]), study.allocation))
    table = found.table.assign(outcome=outcome, shown=shown, verdict=verdict)
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
    for found in study.by_subgroup.values():
        if isinstance(found, Lacking):
            items.append(absent(found.what))
            continue
        told = subgroup_words(found, level=study.level, lost=too_many_lost([one.lost for one in study.found.seen]))
        items += [Passage((told,)), subgroup_figure(found)]
    return Section(tuple(items))
