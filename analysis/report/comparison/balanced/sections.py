"""The section of a comparison where nobody drew lots: the trial it stands for, balance, scores, curves, differences, doubts."""

from typing import Any

import pandas as pd

from analysis.outcomes.unrandomised.observational_comparison import ObservationalComparison
from analysis.report.comparison.balanced.results import NotBalanced
from analysis.report.comparison.balanced.trial_in_words import trial_table
from analysis.report.comparison.findings.balanced_words import control_words
from analysis.report.comparison.findings.figure_words import balanced_by_week_words
from analysis.report.comparison.findings.words import slide_title
from analysis.report.comparison.results import Lacking
from analysis.report.comparison.study import Study
from analysis.report.figures.balanced.adjusted_figure import adjusted_figure
from analysis.report.figures.balanced.balance_figure import balance_figure, term_in_words
from analysis.report.figures.balanced.score_figure import score_figure
from analysis.report.parts import numbers
from analysis.report.parts.model_words import covariance_of_name
from analysis.report.parts.numbers import capitalised, shown_decimals
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table

_E_VALUE = (
    "E-value: the risk ratio that something unlisted would need with both protocol and outcome to explain the difference away "
    "(VanderWeele & Ding, Ann Intern Med 2017;167:268); 1 where the interval holds no difference."
)


def balanced_comparison(study: Study) -> Section:
    """Show the comparison among patients made alike, where nobody drew lots; of patients allocated at random nothing."""
    found = study.balanced
    if isinstance(found, NotBalanced):
        return Section((absent(found.what),))
    if isinstance(found, Lacking):
        return Section(())
    told = balanced_by_week_words(study.found, study.measure, level=study.level)
    items: list[Item] = [
        adjusted_figure(found, told=told, message=f"Balanced: {slide_title(study.found, study.measure)}"),
        differences_table(found),
        trial_table(study, found),
        target_table(found),
        balance_figure(found.weighting),
        score_figure(found.weighting),
        Passage(found.weighting.notes, "items"),
        *_control(study),
    ]
    return Section(tuple(items))


def _control(study: Study) -> list[Item]:
    """Say what the negative control tells, or why it could not be compared."""
    found = study.negative_control
    if found is None:
        return []
    if isinstance(found, Lacking):
        return [absent(found.what)]
    return [Passage((control_words(study.found, level=study.level),))]


def differences_table(found: ObservationalComparison) -> Table:
    """Show the differences by week: balanced, by the model alone, and unadjusted, with the E-value."""
    keys, limits = ["protocol", "week"], ["estimate", "lower", "upper"]
    table = found.differences
    for name, other in (("model", found.standardised), ("crude", found.crude)):
        beside = other.astype({"protocol": "str"}).set_index(keys)[limits].add_prefix(f"{name}_")
        table = table.astype({"protocol": "str"}).join(beside, on=keys)
    decimals, percent = shown_decimals(found.measure), numbers.level_in_words(float(table["level"].iloc[0]))

    def three(name: str, label: str) -> Column:
        return Column(tuple(f"{name}{one}" for one in limits), label, "signed with interval", decimals)

    how = (
        f"Balanced: {found.differences['method'].iloc[0]}. By the model alone: the mixed model with the same covariates, averaged over "
        f"all patients, without weights. Unadjusted: the mixed model without covariates. {_mixed_model(found)}"
    )
    strength = [
        f"{numbers.number(e, 2)} ({numbers.number(limit, 2)})"
        for e, limit in table[["e_value", "e_value_limit"]].to_numpy()
    ]
    return Table(
        table.assign(strength=strength),
        f"Differences in {numbers.in_text(found.measure.label)} from {found.reference} ({found.measure.unit}), with {percent} intervals.",
        (
            Column("week", "Week", "week"),
            three("", "Balanced"),
            Column("p_value", "P value", "p"),
            three("model_", "By the model alone"),
            three("crude_", "Unadjusted"),
            Column("strength", "E-value (of the nearer limit)", "right"),
        ),
        (
            how,
            "Limits and p values of this table are not adjusted for the number of weeks or protocols.",
            _E_VALUE,
        ),
        name="balanced-differences",
        rows_grouped_by="protocol",
    )


def _mixed_model(found: ObservationalComparison) -> str:
    return f"The mixed model has week by protocol and by covariates, with {covariance_of_name(found.covariance)}."


def target_table(found: ObservationalComparison) -> Table:
    """Show who the patients compared were at the start: as they came, and weighted."""
    long = found.weighting.target_patients
    names = list(found.weighting.protocols)
    rows = []
    for (covariate, term), own in long.groupby(["covariate", "term"], sort=False):
        at = own.set_index("protocol")
        number = term == "value"
        rows.append(
            {
                "what": capitalised(term_in_words(str(covariate), str(term))) + (", mean" if number else ""),
                "came": _shown(at.loc["all", "mean"], number=number),
                "target": _shown(at.loc["all", "weighted_mean"], number=number),
                **{name: _shown(at.loc[name, "weighted_mean"], number=number) for name in names},
            }
        )
    ess = found.overlap.set_index("protocol")["ess"]
    return Table(
        pd.DataFrame(rows),
        "Whom the comparison speaks of, at the start.",
        (
            Column("what", "Characteristic"),
            Column("came", f"As they came (n = {numbers.count(len(found.weighting.weights))})", "right"),
            Column("target", "Whom it speaks of", "right"),
            *(Column(name, f"{name}, weighted (stands for {numbers.number(ess[name], 1)})", "right") for name in names),
        ),
        (
            "Numbers: mean. Categories: share. Missing values are taken at the mean of those known, with a row of their own.",
        ),
        name="target",
    )


def _shown(value: Any, *, number: bool) -> str:
    """Show the mean of a number, or the share of a label."""
    return numbers.number(value, 1) if number else numbers.share(value)
