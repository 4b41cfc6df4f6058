"""The outcomes of a comparison: measurements as seen, recovery curves, differences, responders."""

import math
from typing import Any

import pandas as pd

from analysis.curves.covariates import adjusted_in_words
from analysis.curves.recovery import RecoveryCurves
from analysis.outcomes import Responders
from analysis.outcomes.patients.limits import limit_values
from analysis.report.comparison.findings.figure_words import differences_by_week_words, means_title, means_words
from analysis.report.comparison.findings.responder_words import not_concluded, responders_title
from analysis.report.comparison.findings.rules import side
from analysis.report.comparison.findings.words import means_doubt, slide_title
from analysis.report.comparison.parameters import Allocation
from analysis.report.comparison.study import Study
from analysis.report.figures.difference_figure import difference_figure
from analysis.report.figures.recovery_figure import recovery_figure
from analysis.report.figures.responder_figures import change_figure, responder_figure
from analysis.report.figures.seen_figure import seen_figure
from analysis.report.parts import numbers
from analysis.report.parts.model_words import method_in_words
from analysis.report.parts.numbers import capitalised, decimals_for, in_text, shown_decimals
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table, intervals_by, level_of
from analysis.report.parts.wording import TITLE_LETTERS

_NUMBER_NEEDED = (
    "Patients for one responder more or fewer: one over the difference and its limits (Altman, BMJ 1998;317:1309), given only "
    "where the interval leaves out no difference and not too many were lost."
)


def measurements(study: Study) -> Section:
    """Show the values of the patients who came, week by week."""
    if not study.visits["value"].notna().any():
        return Section((absent(f"values of {in_text(study.measure_in_words)}."),))
    return Section((seen_figure(study.visits, study.measure), *_limits(study)))


def _limits(study: Study) -> list[Passage]:
    """Say how many values of what is compared and counted are limits, where the data know limits."""
    endpoints = [one.endpoint for one in study.responders]
    of = {(study.measure.name, study.limb): study.measure} | {
        (one.measure.name, one.limb): one.measure for one in endpoints
    }
    found = {limit_values(study.cohort, name, limb): measure for (name, limb), measure in of.items()}
    said = [one.in_words(in_text(measure.label)) for one, measure in found.items() if one is not None]
    return [Passage(tuple(said))] if said else []


def recovery(study: Study) -> Section:
    """Show the recovery curves with the patients behind them."""
    if study.curves is None:
        return Section((absent(f"enough to fit recovery curves. {study.no_curves}"),))
    found, measure, level = study.found, study.measure, study.level
    doubt = means_doubt(found)
    message = "; ".join(filter(None, (means_title(found, measure, room=TITLE_LETTERS - len(doubt)), doubt)))
    told = means_words(found, measure, level=level)
    return Section((recovery_figure(study.curves, level=level, told=told, message=message),))


def differences(study: Study) -> Section:
    """Show the differences from the reference, at the primary week and at the others."""
    if study.curves is None:
        return Section((absent(f"enough to compare protocols. {study.no_curves}"),))
    if len(study.curves.protocols) == 1:
        others = [one.protocol for one in study.found.stayed if one.protocol not in study.curves.protocols]
        alone = f"all patients followed {study.curves.protocols[0]}"
        why = f"the model holds nobody of {numbers.listed(others)}" if others else alone
        return Section((absent(f"a second protocol to compare with, as {why}."),))
    message = "" if study.found.balanced else slide_title(study.found, study.measure)
    comparisons = len(study.curves.protocols) - 1
    several = [Passage((multiplicity_sentence(comparisons),))] if comparisons > 1 else []
    if study.found.balanced:
        several = [Passage((_of_curves_alone(study.curves),))]
    told = differences_by_week_words(study.found, study.measure, level=study.level)
    figure = difference_figure(study.curves, level=study.level, told=told, message=message)
    return Section((_primary_table(study, study.curves), *several, figure))


def multiplicity_sentence(n_comparisons: int) -> str:
    """Say what several comparisons at the primary week mean for their intervals.

    Examples
    --------
    >>> multiplicity_sentence(2).partition(".")[0]
    'There are 2 comparisons at the primary week'
    """
    return (
        f"There are {n_comparisons} comparisons at the primary week. The intervals of In short are adjusted for that, and the "
        "table of the primary week gives them beside those that are not. Other weeks are secondary."
    )


def _of_curves_alone(curves: RecoveryCurves) -> str:
    """Say where nobody drew lots what the differences of the curves are and what In short speaks of."""
    adjusted = f"adjusted for {adjusted_in_words(curves.adjusted_for)}" if curves.adjusted_for else "not adjusted"
    return f"These are differences of the curves, {adjusted}. In short speaks of those under Among patients made alike."


def _primary_table(study: Study, curves: RecoveryCurves) -> Table:
    """Show the differences at the primary week, as they are and adjusted for their number."""
    table, percent = study.primary, numbers.level_in_words(study.level)
    several = len(table) > 1
    decimals = shown_decimals(curves.measure)
    columns = [
        Column("protocol", "Protocol"),
        Column("estimate", f"Difference from {curves.protocols[0]}", "signed", decimals),
        Column(("lower", "upper"), f"{percent} interval", "interval", decimals),
        Column("p_value", "P value", "p"),
    ]
    if several:
        columns += [
            Column(("adjusted_lower", "adjusted_upper"), "Adjusted interval", "interval", decimals),
            Column("adjusted_p_value", "Adjusted p", "p"),
        ]
    better = "Positive" if curves.measure.sign > 0 else "Negative"
    ideal = "" if curves.measure.ideal is None else f", up to a mean of {curves.measure.ideal:g}"
    notes = [f"{better} differences are better for the protocol named{ideal}. Intervals: {method_in_words(table)}."]
    notes += _not_compared(table, "estimate", "as there is no estimate")
    if several:
        notes.append(
            f"Adjusted for {len(table)} comparisons: intervals by Bonferroni, together {percent}; p values by Holm, so that one can "
            f"be below {numbers.share(1 - study.level)} while its interval holds zero."
        )
    return Table(
        table,
        f"{curves.measure.label} ({curves.measure.unit}): differences at {numbers.moment(curves.primary_week)}, the "
        "primary week.",
        tuple(columns),
        tuple(notes),
        name="primary",
    )


def _not_compared(table: pd.DataFrame, column: str, why: str) -> list[str]:
    """Say whose row has dashes, and no number that a reader could look for; nothing where every row has one."""
    without = table.loc[table[column].isna(), "protocol"].astype("str").tolist()
    return [f"Not compared, {why}: {numbers.listed(without)}."] if without else []


def responder_analysis(study: Study) -> Section:
    """Show who reached the threshold, the mean beside it, and the share at every threshold."""
    items: list[Item] = []
    if study.no_responders:
        items.append(absent(f"changes to count. {capitalised(study.no_responders)}."))
    for position, found in enumerate(study.responders):
        if position or study.no_responders:
            score = f"{found.endpoint.measure.label}, a score with an accepted minimal important change"
            items.append(Passage((f"{score}, in the same patients:",)))
        items += _one_analysis(found, study.allocation, main=found is study.main_responders)
    return Section(tuple(items))


def is_judged(found: Responders) -> bool:
    """Say whether anybody's change can be counted."""
    return bool(found.table["n"].any()) and not found.distribution.shares.empty


def _one_analysis(found: Responders, allocation: Allocation, *, main: bool) -> list[Item]:
    """Show one analysis; of several the main one has the slide."""
    said = Passage(found.notes, "items")
    if not is_judged(found):
        label = in_text(found.endpoint.measure.label)
        return [said, absent(f"values of {label} that can be judged {found.endpoint.when_words}.")]
    items: list[Item] = [said, responder_figure(found, message=responders_title(found) if main else "")]
    if len(found.differences):
        items.append(responder_differences(found, allocation))
    if found.endpoint.measure.is_yes_no:
        return items
    return [*items, _mean_beside(found), change_figure(found)]


def responder_differences(found: Responders, allocation: Allocation) -> Table:
    """Show the differences of shares, and of patients allocated at random how many make one responder more or fewer."""
    percent = numbers.level_in_words(found.endpoint.level)
    columns = [
        Column("protocol", "Protocol"),
        Column("difference", "Difference (percentage points)", "points"),
        Column(("lower", "upper"), f"{percent} interval", "points limits"),
    ]
    notes = [intervals_by(found.differences), *_not_compared(found.differences, "difference", "as nobody was judged")]
    lost = not_concluded(found) if found.endpoint.missing == "excluded" else []
    needed = ["" if str(row["protocol"]) in lost else _needed(row) for row in found.differences.to_dict("records")]
    if allocation == "randomised" and any(needed):
        columns.append(Column("needed", "Patients for one responder more or fewer"))
        notes.append(_NUMBER_NEEDED)
    return Table(
        found.differences.assign(needed=pd.Series([words or None for words in needed], dtype=object)),
        f"Responders by protocol compared with {found.reference}, {numbers.moment(found.endpoint.week)}.",
        tuple(columns),
        tuple(notes),
        name="responder-differences",
    )


def _needed(row: dict[Any, Any]) -> str:
    """Say how many patients make one responder more or fewer; nothing where the interval holds no difference."""
    if not side(row["lower"], row["upper"]) or not math.isfinite(row["number_needed_last"]):
        return ""
    way = "more" if row["number_needed_kind"] == "benefit" else "fewer"
    found, first, last = (
        numbers.count(math.ceil(row[f"number_needed_{name}"] - 1e-9)) for name in ("to_treat", "first", "last")
    )
    return f"one {way} in {found} ({first} to {last})"


def _mean_beside(found: Responders) -> Table:
    table, measure, state = found.mean_improvement, found.endpoint.measure, found.endpoint.criterion == "state"
    what = "value" if state else "improvement"
    percent, decimals = level_of(table), min(2, decimals_for(table["standard_deviation"].tolist()))
    columns = [
        Column("protocol", "Protocol"),
        Column("n", "Patients", "count"),
        Column(
            "mean",
            f"Mean {what} ({percent} interval)",
            "number with interval" if state else "signed with interval",
            decimals,
        ),
        Column("standard_deviation", "SD", "number", decimals),
    ]
    notes = [f"SD: standard deviation. Intervals of means: {table['method'].iloc[0]}."]
    if measure.ideal is not None and not state:
        notes.insert(
            0,
            f"Improvement is how much nearer to {measure.ideal:g} a patient has come; the curves and their differences are of the "
            "values measured.",
        )
    if len(found.mean_differences):
        beside = found.mean_differences.set_index("protocol")[["estimate", "lower", "upper"]].add_prefix("difference_")
        table = table.merge(beside, left_on="protocol", right_index=True, how="left")
        names = ("difference_estimate", "difference_lower", "difference_upper")
        heading = f"Difference from {found.reference} ({percent} interval)"
        columns.append(Column(names, heading, "signed with interval", decimals))
        notes.append(f"Differences: {found.mean_differences['method'].iloc[0]}.")
    return Table(
        table,
        f"Mean {what} {'of' if state else 'in'} {in_text(measure.label)} ({measure.unit}) {found.endpoint.when_words}, to be read "
        "beside the shares.",
        tuple(columns),
        tuple(notes),
        name="mean-improvement",
    )
