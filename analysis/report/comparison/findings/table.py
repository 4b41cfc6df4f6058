"""The findings of a comparison as a table, a row each: what In short, captions and titles speak from, for other programs."""

from typing import Any

import pandas as pd

from analysis.cohort.measures import Measure
from analysis.report.comparison.findings.finding import Course, Difference, Findings, Seen
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
    """Show who was seen, each difference and course with its verdict, responders and harms.

    ``week`` is the primary one, ``level`` that of the limits. Of patients not allocated at random nothing favours a protocol.
    """
    rows = [
        *(_seen(one, week) for one in found.seen),
        *(_difference(one, allocation) for one in found.differences),
        *(_course(one, week or 0.0) for one in found.courses),
        *_responders(found),
        *({"what": "serious harm", "protocol": name, "part": part, "of": of} for name, part, _, of in found.harms),
        *({"what": "other harm", "protocol": name, "part": part, "of": of} for name, _, part, of in found.harms),
    ]
    columns = ["what", "protocol", "week", "part", "of", "estimate", "lower", "upper", "among", "verdict"]
    decimals, table = shown_decimals(measure), pd.DataFrame(rows, columns=columns)
    return Table(
        table.assign(dash=table["part"].isna().map({True: numbers.MISSING})),
        "The findings that the words of this report are made from.",
        (
            Column("protocol", "Protocol"),
            Column("week", "Week", "week"),
            Column(("part", "of"), "Patients", "fraction", instead="dash"),
            Column("estimate", f"Difference ({measure.unit})", "signed", decimals),
            Column(("lower", "upper"), f"{numbers.level_in_words(level)} interval", "interval", decimals),
            Column("among", "Adjusted for", "count"),
            Column("verdict", "Verdict"),
        ),
        (
            "Adjusted for: so many comparisons, by Bonferroni. Differences are from the reference.",
            "Differences of the shares of responders stand under Patients who reached the threshold.",
        ),
        name="findings",
        rows_grouped_by="what",
    )


def _seen(one: Seen, week: float | None) -> dict[str, Any]:
    return {"what": "seen", "protocol": one.protocol, "week": week, "part": one.seen, "of": one.allocated}


def _difference(one: Difference, allocation: Allocation) -> dict[str, Any]:
    better = {"favours protocol": one.protocol, "favours reference": one.reference}.get(one.verdict)
    verb = "favours {}" if allocation == "randomised" else "{} did better on average"
    verdict = verb.format(better) if better else one.verdict
    return {"what": "difference at the primary week", "verdict": verdict, **_limits(one)}


def _course(one: Course, primary_week: float) -> dict[str, Any]:
    return {"what": "difference at another week", "verdict": course_story(one, primary_week), **_limits(one)}


def _limits(one: Difference | Course) -> dict[str, Any]:
    return {name: getattr(one, name) for name in ("protocol", "week", "estimate", "lower", "upper", "among")}


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
