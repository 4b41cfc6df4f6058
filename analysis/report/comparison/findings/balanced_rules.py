"""What the balanced comparison of a study found at the primary week, judged by the same rules as the differences of the curves."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pandas as pd
from scipy.special import stdtrit

from analysis.outcomes.unrandomised.observational_comparison import ObservationalComparison
from analysis.outcomes.unrandomised.refusals import ERRORS_APART
from analysis.report.comparison.findings.finding import Balanced, Control, Difference
from analysis.report.comparison.findings.rules import verdict_of

#: Weeks nearer to each other than this are one.
_SAME_WEEK = 1e-9


def balanced_findings(
    found: ObservationalComparison, differences: Sequence[Difference], *, week: float, level: float
) -> tuple[Balanced, ...]:
    """Judge each protocol among patients made alike; ``differences`` are those of the curves, at the same ``week``.

    Limits are adjusted for the number of comparisons at the week (Bonferroni), p values too.
    """
    at, means, beside = (_at(table, week) for table in (found.differences, found.means, found.crude))
    return tuple(
        _balanced(one, at[one.protocol], means, beside[one.protocol], found, len(at), level)
        for one in differences
        if one.protocol in at
    )


def control_findings(found: ObservationalComparison, *, week: float, level: float) -> tuple[Control, ...]:
    """Give each difference in a measure that no protocol can have changed, limits adjusted for their number."""
    at = _at(found.differences, week)
    return tuple(
        Control(
            found.measure, name, found.reference, week, float(row["estimate"]), *_limits(row, len(at), level), len(at)
        )
        for name, row in at.items()
    )


def _limits(row: dict[Any, Any], among: int, level: float) -> tuple[float, float]:
    """Give the limits of a difference, adjusted for the number of comparisons (Bonferroni)."""
    half = float(stdtrit(row["df"], 1 - (1 - level) / (2 * among))) * float(row["std_error"])
    return float(row["estimate"]) - half, float(row["estimate"]) + half


def _at(table: pd.DataFrame, week: float) -> dict[str, dict[Any, Any]]:
    """Give the rows at a week by protocol."""
    return {str(row["protocol"]): row for row in table[(table["week"] - week).abs() < _SAME_WEEK].to_dict("records")}


def _balanced(
    one: Difference,
    row: dict[Any, Any],
    means: dict[str, dict[Any, Any]],
    beside: dict[Any, Any],
    found: ObservationalComparison,
    among: int,
    level: float,
) -> Balanced:
    estimate, error = float(row["estimate"]), float(row["std_error"])
    lower, upper = _limits(row, among, level)
    own, other = (float(means[name]["estimate"]) for name in (one.protocol, one.reference))
    verdict = verdict_of(lower, upper, found.measure, (one.seen, one.reference_seen), (own, other), one.far)
    judged = replace(
        one,
        estimate=estimate, lower=lower, upper=upper, p_value=min(1.0, among * float(row["p_value"])), among=among,
        verdict=verdict, mean=own, reference_mean=other, turned_by=0, analyses=0,
        alone=(float(row["lower"]), float(row["upper"])), apart=0, weeks=0, shift=None,
    )  # fmt: skip
    return Balanced(
        judged,
        (float(beside["estimate"]), float(beside["lower"]), float(beside["upper"])),
        float(row["e_value"]),
        float(row["e_value_limit"]),
        (float(means[one.protocol]["ess"]), float(means[one.reference]["ess"])),
        bool(error > ERRORS_APART * float(row["sandwich_error"])),
    )
