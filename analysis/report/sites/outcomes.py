"""The outcomes of a comparison over sites: recovery curves, differences, responders."""

from __future__ import annotations

import pandas as pd

from analysis.pooled.comparison import PooledComparison
from analysis.report.comparison.outcomes import multiplicity_sentence, responder_differences
from analysis.report.figures.responder_figures import responder_figure
from analysis.report.parts import numbers
from analysis.report.parts.model_words import method_in_words
from analysis.report.parts.numbers import shown_decimals
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.parts.tables import Column, Table, intervals_by, level_of
from analysis.report.sites.curves_figure import curves_figure
from analysis.report.sites.findings import differences_words, title_words
from analysis.report.sites.study import SitesStudy

#: Amounts of change that are shown of all those counted, at least this many thresholds apart.
_EVERY = 4


def recovery(study: SitesStudy) -> Section:
    """Show the model means by week."""
    compared = study.compared
    if compared.means.empty:
        return Section(
            (
                absent(
                    "visits for curves: nobody's are in the sums, or they are of one protocol, or none of the reference."
                ),
            )
        )
    told = " ".join(differences_words(study.found, compared, study.allocation))
    return Section((curves_figure(compared, told=told, message=title_words(study.found.differences)),))


def differences(study: SitesStudy) -> Section:
    """Show the differences from the reference by week."""
    compared, plan = study.compared, study.compared.plan
    if compared.differences.empty:
        return Section((absent("differences of curves."),))
    decimals, percent = shown_decimals(plan.endpoint.measure), numbers.level_in_words(plan.endpoint.level)
    table = compared.differences.astype({"protocol": "str"})
    several = len(compared.primary)
    every = _every_week(table, compared, percent)
    if not several:
        return Section((absent(f"patients in the curves at {numbers.moment(plan.primary_week)}."), every))
    items = [Passage((multiplicity_sentence(several),))] if several > 1 else []
    alone = table[table["week"] == plan.primary_week].set_index("protocol")
    primary = compared.primary.astype({"protocol": "str"})
    primary = primary.assign(
        **{f"alone_{name}": primary["protocol"].map(alone[name]) for name in ("estimate", "lower", "upper", "p_value")}
    )
    adjusted = (
        Column(("lower", "upper"), f"Adjusted for {several} comparisons", "interval", decimals),
        Column("p_value", "Adjusted p", "p"),
    )
    at = Table(
        primary,
        f"Differences from {plan.protocols[0]} at {numbers.moment(plan.primary_week)}, the primary week.",
        (
            Column("protocol", "Protocol"),
            Column("estimate", "Difference", "signed", decimals),
            Column(("alone_lower", "alone_upper"), f"{percent} interval", "interval", decimals),
            Column("alone_p_value", "P value", "p"),
            *(adjusted if several > 1 else ()),
        ),
        (f"Intervals: {method_in_words(table)}.{' Adjusted by Bonferroni.' if several > 1 else ''}",),
        name="primary",
    )
    return Section((*items, at, every))


def _every_week(table: pd.DataFrame, compared: PooledComparison, percent: str) -> Table:
    measure = compared.plan.endpoint.measure
    return Table(
        table,
        f"Differences in {measure.unit} by week.",
        (
            Column("week", "Week", "week"),
            Column("estimate", f"Difference ({percent} interval)", "signed with interval", shown_decimals(measure)),
            Column("p_value", "P value", "p"),
        ),
        (
            "Other weeks than the primary one are secondary; p values and intervals here are not adjusted for their number.",
        ),
        name="differences",
        rows_grouped_by="protocol",
    )


def responder_analysis(study: SitesStudy) -> Section:
    """Show who reached the threshold, and the share at amounts of change."""
    found = study.compared.responders
    if found.endpoint.threshold is None or not found.table["n"].any():
        return Section((absent("changes that can be counted."),))
    shares = found.distribution.shares
    amounts = sorted(shares["threshold"].unique())[::_EVERY]
    shown = shares[shares["threshold"].isin(amounts)]
    distribution = Table(
        shown,
        f"Share of patients by {found.endpoint.amount_words} of at least each amount.",
        (
            Column(
                "threshold",
                f"Amount ({found.endpoint.to_reach.unit})",
                "number",
                shown_decimals(found.endpoint.measure),
            ),
            Column(("responders", "n"), "Patients", "fraction"),
            Column("share", f"Share ({level_of(shares)} interval)", "share with interval"),
        ),
        (intervals_by(shares), *found.distribution.notes),
        name="amounts",
        rows_grouped_by="protocol",
    )
    compared = [responder_differences(found, study.allocation)] if len(found.differences) else []
    return Section((Passage(found.notes, "items"), responder_figure(found, message=""), *compared, distribution))
