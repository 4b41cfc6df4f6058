"""The rules by which outcomes in order and subgroups become findings, and their words; nothing is claimed beyond the order."""

from collections.abc import Hashable
from typing import Any

import numpy as np
import pandas as pd

from analysis.counted import form
from analysis.curves.covariates import column_in_words
from analysis.outcomes.comparisons.compare_outcomes import OutcomesInOrder
from analysis.outcomes.comparisons.subgroups import SubgroupDifferences
from analysis.report.comparison.parameters import Allocation
from analysis.report.parts import numbers
from analysis.report.parts.losses import too_many_lost
from analysis.report.parts.numbers import in_text
from analysis.report.parts.wording import MOST_LISTED

#: An outcome before it in the order was not found, so its interval describes only.
NOT_TESTED = "not tested"
BEYOND = "a mean lies beyond its best value"


def outcome_verdicts(found: OutcomesInOrder, allocated: dict[str, int]) -> list[str]:
    """Give the verdict on each row of the outcomes: losses first, then the order, then the side.

    ``allocated`` has all patients of each protocol. A difference favours a side only where the test in order found it.
    """
    verdicts: list[str] = []
    for row in found.table.to_dict("records"):
        lost = [
            1 - row[n] / allocated[row[name]]
            for n, name in (("n", "protocol"), ("reference_n", "reference"))
            if allocated.get(row[name])
        ]
        if np.isnan(row["estimate"]):
            verdicts.append("not compared")
        elif too_many_lost(lost):
            verdicts.append("no conclusion")
        elif _is_beyond_best(found, row):
            verdicts.append(BEYOND)
        elif not row["tested"]:
            verdicts.append(NOT_TESTED)
        elif not row["found"]:
            verdicts.append("undecided")
        else:
            verdicts.append("favours protocol" if row["better"] * row["estimate"] > 0 else "favours reference")
    return verdicts


def _is_beyond_best(found: OutcomesInOrder, row: dict[Hashable, Any]) -> bool:
    """Say whether a mean lies beyond the best value of the measure, where further is not better."""
    curves = found.curves[str(row["measure"])]
    means = curves.means(level=found.level).astype({"protocol": "str"})
    at = means[(means["week"] == row["week"]) & means["protocol"].isin([row["protocol"], row["reference"]])]
    return any(curves.measure.is_beyond_ideal(float(mean)) for mean in at["estimate"])


def verdict_in_words(verdict: str, protocol: str, reference: str, allocation: Allocation) -> str:
    """Say a verdict as a cell of a table does.

    Examples
    --------
    >>> verdict_in_words("favours protocol", "early", "usual", "observational")
    'early did better on average'
    """
    better = {"favours protocol": protocol, "favours reference": reference}.get(verdict)
    if better is not None:
        return f"favours {better}" if allocation == "randomised" else f"{better} did better on average"
    return {"undecided": "cannot be told", NOT_TESTED: NOT_TESTED}.get(verdict, verdict)


def outcomes_words(found: OutcomesInOrder, verdicts: list[str]) -> str:
    """Say in one sentence a protocol which secondary outcomes differ, of how many that were looked at."""
    table = found.table.assign(verdict=verdicts)
    later = table[table["place"] > 1]
    labels = list(dict.fromkeys(later["label"]))
    listed = numbers.listed([in_text(label) for label in labels]) if len(labels) <= MOST_LISTED else f"{len(labels)}"
    parts = [_of_protocol(str(name), rows) for name, rows in later.groupby("protocol", sort=False)]
    return f"Secondary {form(len(labels), 'outcome')}, in order: {listed}. {' '.join(parts)}"


def _of_protocol(name: str, rows: pd.DataFrame) -> str:
    untested, open_ones, beyond = (int((rows["verdict"] == one).sum()) for one in (NOT_TESTED, "no conclusion", BEYOND))
    judged = len(rows) - untested - open_ones - beyond - int((rows["verdict"] == "not compared").sum())
    said = []
    if judged:
        shown = rows[rows["verdict"].astype(str).str.startswith("favours")]
        side = [
            f"{in_text(str(row.label))} ({'better' if row.verdict == 'favours protocol' else 'worse'})"
            for row in shown.itertuples()
        ]
        which = f"{len(shown)}: {numbers.listed(side)}" if side else "none"
        reference = rows["reference"].iloc[0]
        said.append(f"of {numbers.plural(judged, 'outcome')} tested a difference from {reference} is found in {which}")
    if beyond:
        said.append(f"of {beyond} {BEYOND}, where further is not better")
    if open_ones:
        said.append(f"of {open_ones} too many were not seen for a conclusion")
    if untested:
        said.append(
            f"{untested} {form(untested, 'is')} not tested, as one before {form(untested, 'it', 'them')} was not found"
        )
    return f"With {name} {'; '.join(said) or 'none could be compared'}."


def subgroup_words(found: SubgroupDifferences, *, level: float, lost: bool) -> str:
    """Say whether the differences are told apart between the groups, by the test of interaction alone.

    ``lost`` says that too many were not seen at the week for a conclusion.
    """
    tests = found.interaction
    row = tests[tests["protocol"] == "all"] if (tests["protocol"] == "all").any() else tests
    p_value, by = float(row["p_value"].iloc[0]), column_in_words(found.by)
    groups = numbers.listed(list(dict.fromkeys(found.table.loc[found.table["estimate"].notna(), "group"])))
    if lost:
        return f"No conclusion about groups by {by}, as too many were not seen."
    if np.isnan(p_value):
        return f"Whether the difference is another one by {by} ({groups}) could not be tested."
    p = numbers.p_value(p_value)
    if p_value <= 1 - level:
        return (
            f"The differences are not the same by {by} ({groups}): test of interaction, p {p}. This is a question for another "
            "study, not an answer."
        )
    return (
        f"These data do not tell whether the differences are other ones by {by} ({groups}): test of interaction, p {p}."
    )
