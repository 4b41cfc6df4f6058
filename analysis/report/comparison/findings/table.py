"""The findings of a comparison as a table, a row each: what In short, captions and titles speak from, for other programs."""

from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.measures import Measure
from analysis.curves.covariates import column_in_words
from analysis.report.comparison.findings.finding import Course, Difference, Findings, GroupsApart, InOrder, Seen
from analysis.report.comparison.findings.outcome_words import verdict_in_words
from analysis.report.comparison.findings.responder_words import not_concluded
from analysis.report.comparison.findings.rules import side
from analysis.report.comparison.findings.words import course_story
from analysis.report.comparison.parameters import Allocation
from analysis.report.parts import numbers
from analysis.report.parts.numbers import shown_decimals
from analysis.report.parts.tables import Column, Table


def findings_table(
    found: Findings, measure: Measure, *, week: float | None, level: float, allocation: Allocation
) -> Table:
    """Show who was seen, each difference, course and secondary outcome with its verdict, responders, groups and harms.

    ``week`` is the primary one, ``level`` that of the limits. Of patients not allocated at random nothing favours a protocol.
    """
    unbalanced = ", by the curves" if found.balanced else ""
    rows = [
        *(_seen(one, week) for one in found.seen),
        *(_difference(one.difference, allocation, "balanced difference at the primary week") for one in found.balanced),
        *(_difference(one, allocation, f"difference at the primary week{unbalanced}") for one in found.differences),
        *(_course(one, week or 0.0, f"difference at another week{unbalanced}") for one in found.courses),
        *_responders(found),
        *(_secondary(one, allocation) for one in found.in_order if one.place > 1),
        *(_groups(one, week) for one in found.groups),
        *({"what": "serious harm", "protocol": name, "part": part, "of": of} for name, part, _, of in found.harms),
        *({"what": "other harm", "protocol": name, "part": part, "of": of} for name, _, part, of in found.harms),
    ]
    columns = ["what", "protocol", "week", "part", "of", "estimate", "lower", "upper", "among", "p_value", "verdict"]
    table = pd.DataFrame(rows, columns=columns)
    decimals = [one.get("decimals", shown_decimals(measure)) for one in rows]
    limits = zip(table["estimate"], table["lower"], table["upper"], decimals, strict=True)
    return Table(
        table.assign(
            dash=table["part"].isna().map({True: numbers.MISSING}),
            difference=[numbers.signed_with_interval(*one) for one in limits],
        ),
        "The findings that the words of this report are made from.",
        (
            Column("protocol", "Protocol"),
            Column("week", "Week", "week"),
            Column(("part", "of"), "Patients", "fraction", instead="dash"),
            Column("difference", f"Difference ({numbers.level_in_words(level)} interval)", "right"),
            Column("among", "Adjusted for", "count"),
            Column("verdict", "Verdict"),
        ),
        (
            "Adjusted for: so many comparisons, by Bonferroni.",
            f"Differences are from the reference, in {measure.unit} where no other unit is named.",
            "Differences of the shares of responders stand under Patients who reached the threshold.",
        ),
        name="findings",
        rows_grouped_by="what",
    )


def _seen(one: Seen, week: float | None) -> dict[str, Any]:
    return {"what": "seen", "protocol": one.protocol, "week": week, "part": one.seen, "of": one.allocated}


def _difference(one: Difference, allocation: Allocation, what: str) -> dict[str, Any]:
    verdict = verdict_in_words(one.verdict, one.protocol, one.reference, allocation)
    return {
        "what": what, "verdict": verdict, "p_value": one.p_value, "among": one.among,
        **_limits(one),
    }  # fmt: skip


def _course(one: Course, primary_week: float, what: str) -> dict[str, Any]:
    verdict = course_story(one, primary_week)
    return {"what": what, "verdict": verdict, "among": one.among, **_limits(one)}


def _secondary(one: InOrder, allocation: Allocation) -> dict[str, Any]:
    verdict = verdict_in_words(one.verdict, one.protocol, one.reference, allocation)
    return {
        "what": f"secondary outcome {one.place - 1}: {numbers.in_text(one.measure.label)} ({one.measure.unit})",
        "verdict": f"{verdict}; p in order {numbers.p_value(one.p_value)}", "p_value": one.p_value,
        "part": one.seen.seen, "of": one.seen.allocated, "decimals": shown_decimals(one.measure), **_limits(one),
    }  # fmt: skip


def _groups(one: GroupsApart, week: float | None) -> dict[str, Any]:
    return {
        "what": "groups of patients", "protocol": f"all, by {column_in_words(one.by)}", "week": week, "p_value": one.p_value,
        "verdict": one.verdict if np.isnan(one.p_value) else f"{one.verdict}; interaction, p {numbers.p_value(one.p_value)}",
    }  # fmt: skip


def _limits(one: Difference | Course | InOrder) -> dict[str, Any]:
    return {name: getattr(one, name) for name in ("protocol", "week", "estimate", "lower", "upper")}


def _responders(found: Findings) -> list[dict[str, Any]]:
    """Give the responders of each protocol, and of those compared what their difference supports."""
    if found.responders is None:
        return []
    judged = found.responders
    lost = not_concluded(judged) if judged.endpoint.missing == "excluded" else []
    apart = {str(row["protocol"]): side(row["lower"], row["upper"]) for row in judged.differences.to_dict("records")}
    words = {1: "more than the reference", -1: "fewer than the reference", 0: "undecided"}
    what = f"responders in {numbers.in_text(judged.endpoint.measure.label)}"
    return [
        {
            "what": what, "protocol": name, "week": judged.endpoint.week, "part": reached, "of": of,
            "verdict": "no conclusion" if name in lost else words[apart[name]] if name in apart else "",
        }
        for name, reached, of in judged.table[["protocol", "responders", "n"]].astype({"protocol": str}).to_numpy()
    ]  # fmt: skip
