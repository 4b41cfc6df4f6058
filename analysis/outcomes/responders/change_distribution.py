"""The cumulative distribution of change by protocol: the responder share at every threshold, so that no one decides."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
import pandas as pd

from analysis.cohort.reference import reference_protocol
from analysis.errors import ModelError
from analysis.outcomes.change.change import BaselineRule, change_at_week
from analysis.outcomes.responders.response_criterion import compared_amount
from analysis.result import Result
from analysis.statistics.proportions import check_level, share_difference, share_interval

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.cohort.tables import Cohort
    from analysis.outcomes.thresholds.chosen_threshold import Criterion

MissingRule = Literal["excluded", "non-response"]

#: Thresholds at which the distribution is given; more distinct changes than this are read off an even grid.
MOST_THRESHOLDS = 200
#: Room for the rounding of subtraction: 6.1 - 4.1 is an improvement of 2.
_ROUNDING = 1e-9


@dataclass(frozen=True, eq=False, repr=False)
class ChangeDistribution(Result):
    """Share of patients that improved by at least each amount, by protocol.

    Attributes
    ----------
    measure, limb, week
        What was measured, where, and when.
    missing : {"excluded", "non-response"}
        How patients without a change count.
    shares : pandas.DataFrame
        protocol, threshold (improvement in the unit of the measure; negative ones are a worsening), n, responders,
        share, lower, upper, level, method.
    differences : pandas.DataFrame
        protocol, reference, threshold, n, reference_n, difference, lower, upper, level, method.
    notes : tuple of str
        How to read it.
    """

    measure: str
    limb: str
    week: float
    missing: MissingRule
    shares: pd.DataFrame
    differences: pd.DataFrame
    notes: tuple[str, ...]

    def _headline(self) -> str:
        return f"Distribution of {self.measure} by week {self.week:g}: share of patients at every threshold"


def change_distribution(
    cohort: Cohort,
    measure: str,
    *,
    week: float,
    limb: str | None = None,
    missing: MissingRule = "excluded",
    criterion: Criterion = "improvement",
    thresholds: Sequence[float] | None = None,
    baseline: BaselineRule = "last before start",
    level: float = 0.95,
    reference: str | None = None,
) -> ChangeDistribution:
    """Give the cumulative distribution of improvement by a week, by protocol, with the difference at every threshold.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    measure : str
        A stored or derived measure.
    week : float
        Week after the start.
    limb : str, optional
        The limb; by default the involved one where the measure has limbs.
    missing : {"excluded", "non-response"}
        Whether patients without a change are left out of the denominator or count as not improved at every threshold.
    criterion : {"improvement", "percent", "state"}
        Whether the distribution is of the improvement, of the improvement in per cent of the baseline, or of the value
        itself (share at or above each value; at or below where lower is better).
    thresholds : sequence of float, optional
        Amounts at which shares are given; by default every one seen (an even grid of 200 where there are more).
    baseline : {"last before start", "first before start", "mean before start"}
        As in :func:`analysis.outcomes.change.change.change_frame`.
    level : float
        Confidence level, at each threshold by itself.
    reference : str, optional
        The protocol compared with; by default that of the cohort, or the first one where it names none.

    Returns
    -------
    ChangeDistribution
        Shares and differences at every threshold.

    Raises
    ------
    ModelError
        The week is not after the start, an option or the reference is not known.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> found = change_distribution(cohort, "pain", week=26, thresholds=[0, 2])
    >>> at_0, at_2 = (found.shares.query("threshold == @amount")["share"].tolist() for amount in (0, 2))
    >>> all(first >= second for first, second in zip(at_0, at_2))
    True
    """
    check_level(level)
    check_missing_rule(missing)
    table = change_at_week(cohort, measure, week=check_week(week, criterion), limb=limb, baseline=baseline)
    base = reference_protocol(cohort, table["protocol"], reference)
    known = cohort.measures[measure]
    table["amount"] = compared_amount(table, criterion, known)
    turn = known.sign if criterion == "state" else 1
    seen = table["amount"].to_numpy(dtype=float)
    grid = _grid(seen) if thresholds is None else np.unique(turn * np.asarray(thresholds, dtype=float))
    shares = distribution_shares(table, grid, missing=missing, level=level)
    shares["threshold"] = turn * shares["threshold"]
    what = {"improvement": "improvement", "percent": "improvement in per cent of the baseline", "state": "value"}
    side = "at most" if turn < 0 else "at least"
    return ChangeDistribution(
        measure=measure,
        limb=limb or known.default_limb,
        week=float(week),
        missing=missing,
        shares=shares,
        differences=distribution_differences(shares, base, level=level),
        notes=(
            f"Each share counts the patients whose {what[criterion]} is {side} the threshold; read the whole curve.",
            "Intervals hold at each threshold by itself, not for the curve as a whole.",
            missing_in_words(missing, criterion),
        ),
    )


def distribution_shares(
    table: pd.DataFrame, grid: NDArray[np.float64], *, missing: MissingRule, level: float
) -> pd.DataFrame:
    """Count the patients at or above each threshold; ``table`` has one row a patient with protocol and amount."""
    parts = []
    someone_seen = bool(table["amount"].notna().any())
    for name, rows in table.groupby("protocol", observed=True):
        known = np.sort(rows["amount"].dropna().to_numpy(dtype=float))
        n = len(rows) if missing == "non-response" and someone_seen else len(known)
        reached = len(known) - np.searchsorted(known, grid - rounding_room(grid), side="left")
        counts = pd.DataFrame({"protocol": str(name), "threshold": grid, "n": n, "responders": reached})
        parts.append(counts.join(share_interval(reached, np.full(len(grid), n), level=level)))
    return pd.concat(parts, ignore_index=True)


def distribution_differences(shares: pd.DataFrame, reference: str, *, level: float) -> pd.DataFrame:
    """Compare the shares of every protocol with the reference's at each threshold."""
    base = shares[shares["protocol"] == reference].reset_index(drop=True)
    parts = []
    for name, rows in shares[shares["protocol"] != reference].groupby("protocol", sort=False):
        one = rows.reset_index(drop=True)
        compared = share_difference(one["responders"], one["n"], base["responders"], base["n"], level=level)
        head = pd.DataFrame(
            {
                "protocol": str(name),
                "reference": reference,
                "threshold": one["threshold"],
                "n": one["n"],
                "reference_n": base["n"],
            }
        )
        parts.append(head.join(compared))
    columns = [
        "protocol",
        "reference",
        "threshold",
        "n",
        "reference_n",
        "difference",
        "lower",
        "upper",
        "level",
        "method",
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def reached(improvement: pd.Series, threshold: float) -> pd.Series:
    """Say who reached a threshold: True, False, or missing where the improvement is.

    Examples
    --------
    >>> reached(pd.Series([6.1 - 4.1, 1.9, float("nan")]), 2).tolist()
    [True, False, <NA>]
    """
    answer = (improvement >= threshold - rounding_room(threshold)).astype("boolean")
    return answer.mask(improvement.isna())


def rounding_room(threshold: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Give the room left for the rounding of subtraction at a threshold."""
    return _ROUNDING * np.maximum(1.0, np.abs(threshold))


def check_week(week: float, criterion: Criterion = "improvement") -> float:
    """Refuse a week at or before the start, where every change is none; a state can be asked for at any week.

    Raises
    ------
    ModelError
        The week is not a number after 0.
    """
    if not np.isfinite(week) or (week <= 0 and criterion != "state"):
        raise ModelError(
            f"There is no change from baseline at week {week:g}.",
            what_to_do="Name a week after the start (after 0) at which patients were seen.",
        )
    return float(week)


def check_missing_rule(missing: str) -> None:
    """Refuse an unknown rule for missing visits.

    Raises
    ------
    ModelError
        The rule is not one of the two.
    """
    if missing not in get_args(MissingRule):
        raise ModelError(
            f"There is no rule {missing!r} for missing visits.",
            what_to_do=f"Use one of: {', '.join(get_args(MissingRule))}.",
        )


def missing_in_words(missing: MissingRule, criterion: Criterion = "improvement") -> str:
    """Say what the denominator is."""
    needed = "a value at the week" if criterion == "state" else "a value at the week and a baseline"
    if missing == "excluded":
        return f"Denominator: patients with {needed}; the others are left out."
    return f"Denominator: every patient of the protocol; one without {needed} counts as not improved."


def _grid(improvement: NDArray[np.float64]) -> NDArray[np.float64]:
    seen = np.unique(improvement[np.isfinite(improvement)])
    if len(seen) > MOST_THRESHOLDS:
        return np.linspace(seen[0], seen[-1], MOST_THRESHOLDS)
    return seen
