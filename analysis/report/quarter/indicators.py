"""The indicators of the quarter with numerator and denominator, and completeness against its floor."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.quarter.periods import quarter_in_words
from analysis.quarter.released_counts import BASELINE
from analysis.quarter.value_interval import METHODS
from analysis.report.parts import numbers
from analysis.report.parts.indicator_numbers import HIDDEN_NOTE, with_text
from analysis.report.parts.passages import Section, absent
from analysis.report.parts.tables import Column, Table
from analysis.report.quarter.findings.board_words import floors_words, value_and_counts
from analysis.report.quarter.findings.target_words import TARGET_NOTE, target_cell
from analysis.report.quarter.findings.words import interval_words
from analysis.report.quarter.for_programs import indicators_csv

if TYPE_CHECKING:
    from analysis.quarter import Indicator
    from analysis.report.quarter.study import QuarterStudy


_ROLES = {"outcome": "Outcomes", "balancing": "Balancing measures", "process": "Process"}


def indicators(study: QuarterStudy) -> Section:
    """Show numerator and denominator of each indicator but completeness, beside last quarter and the baseline."""
    followed = [one for role in _ROLES for one in study.indicators(role)]
    if not followed:
        return Section((absent("outcomes."),))
    released = study.released
    rows = [_row(study, one) for one in followed]
    hidden = any(row["any_hidden"] for row in rows)
    aimed = any(not numbers.is_missing(one.target) for one in followed)
    targets = (Column("target", "Target"),)
    notes = [
        "Share: numerator over denominator. An empty denominator has no share.",
        f"Intervals: {'; '.join(METHODS[kind] for kind in dict.fromkeys(one.kind for one in followed))}.",
        *study.notes,
        *([TARGET_NOTE] if aimed else []),
        *([HIDDEN_NOTE] if hidden else []),
    ]
    before, now = quarter_in_words(released.before), study.quarter_words
    table = Table(
        pd.DataFrame(rows),
        f"Indicators in {now}, with the quarter before and the baseline.",
        (
            Column("label", "Indicator"),
            Column("numerator", "Numerator", "right", group=now),
            Column("denominator", "Denominator", "right", group=now),
            Column("value", "Value", "right", group=now),
            Column("interval", f"{numbers.level_in_words(study.level)} interval", "right", group=now),
            Column("before", before, "right"),
            Column("baseline", "Baseline", "right"),
            *(targets if aimed else ()),
        ),
        tuple(notes),
        name="indicators",
        rows_grouped_by="role",
        csv=indicators_csv(study),
    )
    return Section((table,))


def completeness(study: QuarterStudy) -> Section:
    """Show how many of the patients due have a value, by measure, against the floor."""
    found = study.completeness
    if not found:
        return Section((absent("which values were expected. Nothing can be said about completeness."),))
    rows = []
    for one in found:
        at = with_text(study.released.of(one, [study.released.quarter]), one).iloc[0]
        before = with_text(study.released.of(one, [study.released.before]), one).iloc[0]
        rows.append(
            {
                "label": one.label,
                "numerator": at["numerator_text"],
                "denominator": at["denominator_text"],
                "value": value_and_counts(study.found.of(one.name))[0] if not at["hidden"] else at["value_text"],
                "before": before["value_text"],
                "floor": numbers.share(one.floor),
                "verdict": _verdict(study, one),
                "hidden": bool(at["hidden"] or before["hidden"]),
            }
        )
    notes = ["Of the patients who started in the quarter and were due."] if study.origin is not None else []
    if any(row["hidden"] for row in rows):
        notes.append(HIDDEN_NOTE)
    table = Table(
        pd.DataFrame(rows),
        f"Completeness by measure in {study.quarter_words}, against the floor.",
        (
            Column("label", "Measure"),
            Column("numerator", "With a value", "right"),
            Column("denominator", "Due", "right"),
            Column("value", "Share", "right"),
            Column("before", quarter_in_words(study.released.before), "right"),
            Column("floor", "Floor", "right"),
            Column("verdict", "Floor reached"),
        ),
        tuple(notes),
        name="completeness",
        message=floors_words(study.found),
    )
    return Section((table,))


def _row(study: QuarterStudy, one: Indicator) -> dict[str, object]:
    released = study.released
    found = released.of(one, [released.quarter, released.before, BASELINE])
    text, judged = with_text(found, one), study.found.of(one.name)
    known = not numbers.is_missing(judged.lower)
    unit = (
        f", {'in ' if one.kind == 'mean' else ''}{one.unit_words}"
        if one.unit_words and one.unit_words not in one.label
        else ""
    )
    return {
        "role": _ROLES[one.role],
        "label": f"{one.label}{unit} ({one.numerator_words} of {one.denominator_words})",
        "numerator": text["numerator_text"].iloc[0],
        "denominator": text["denominator_text"].iloc[0],
        "value": text["value_text"].iloc[0],
        "interval": interval_words(judged) if known else numbers.MISSING,
        "before": text["value_text"].iloc[1],
        "baseline": text["value_text"].iloc[2],
        "any_hidden": bool(found["hidden"].any()),
        "target": target_cell(judged),
    }


def _verdict(study: QuarterStudy, one: Indicator) -> str:
    if numbers.is_missing(one.floor):
        return "no floor"
    return {True: "yes", False: "no", None: "cannot be said"}[study.found.of(one.name).floor_reached]
