"""The rules by which outcomes in order and groups of patients become findings; nothing is found beyond the order."""

from collections.abc import Hashable, Iterable
from typing import Any, Literal

import numpy as np

from analysis.outcomes.comparisons.compare_outcomes import OutcomesInOrder
from analysis.outcomes.comparisons.subgroups import SubgroupDifferences
from analysis.report.comparison.findings.finding import Difference, GroupsApart, InOrder, Seen, Verdict
from analysis.report.parts.losses import too_many_lost


def outcomes_in_their_order(
    found: OutcomesInOrder, allocated: dict[str, int], differences: tuple[Difference, ...]
) -> tuple[InOrder, ...]:
    """Judge every outcome: the primary one as its difference is, the others by losses first, then the order, then the side.

    ``allocated`` has all patients of each protocol. A secondary outcome favours a side only where the test in order found it.
    """
    primary = {one.protocol: one.verdict for one in differences}
    judged = []
    for row in found.table.to_dict("records"):
        protocol, reference, place = str(row["protocol"]), str(row["reference"]), int(row["place"])
        seen = Seen(protocol, int(row["n"]), allocated.get(protocol, 0))
        other = Seen(reference, int(row["reference_n"]), allocated.get(reference, 0))
        by_order = _verdict(found, row, (seen, other))
        judged.append(
            InOrder(
                place=place,
                measure=found.curves[str(row["measure"])].measure,
                week=float(row["week"]),
                protocol=protocol,
                reference=reference,
                seen=seen,
                reference_seen=other,
                estimate=float(row["estimate"]),
                lower=float(row["lower"]),
                upper=float(row["upper"]),
                p_value=float(row["adjusted_p_value"]),
                verdict=primary.get(protocol, by_order) if place == 1 else by_order,
            )
        )
    return tuple(judged)


def _verdict(
    found: OutcomesInOrder, row: dict[Hashable, Any], seen: tuple[Seen, Seen]
) -> Verdict | Literal["not tested"]:
    if np.isnan(row["estimate"]):
        return "not compared"
    if too_many_lost([one.lost for one in seen if one.allocated]):
        return "no conclusion"
    if _is_beyond_best(found, row):
        return "beyond the ideal"
    if not row["tested"]:
        return "not tested"
    if not row["found"]:
        return "undecided"
    return "favours protocol" if row["better"] * row["estimate"] > 0 else "favours reference"


def _is_beyond_best(found: OutcomesInOrder, row: dict[Hashable, Any]) -> bool:
    """Say whether a mean lies beyond the best value of the measure, where further is not better."""
    curves = found.curves[str(row["measure"])]
    means = curves.means(level=found.level).astype({"protocol": "str"})
    at = means[(means["week"] == row["week"]) & means["protocol"].isin([row["protocol"], row["reference"]])]
    return any(curves.measure.is_beyond_ideal(float(mean)) for mean in at["estimate"])


def groups_apart(
    found: Iterable[SubgroupDifferences], seen: Iterable[Seen], *, level: float
) -> tuple[GroupsApart, ...]:
    """Judge whether differences are told apart between groups, by the test of interaction of all protocols together."""
    lost = too_many_lost([one.lost for one in seen])
    judged = []
    for one in found:
        tests = one.interaction
        row = tests[tests["protocol"] == "all"] if (tests["protocol"] == "all").any() else tests
        p_value = float(row["p_value"].iloc[0])
        groups = dict.fromkeys(one.table.loc[one.table["estimate"].notna(), "group"].astype(str))
        apart: Literal["told apart", "undecided"] = "told apart" if p_value <= 1 - level else "undecided"
        verdict = "no conclusion" if lost else "not tested" if np.isnan(p_value) else apart
        judged.append(GroupsApart(one.by, tuple(groups), p_value, verdict))
    return tuple(judged)
