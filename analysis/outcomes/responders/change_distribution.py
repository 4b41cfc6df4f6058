"""The cumulative distribution of change by protocol: the responder share at every threshold, so that no one decides."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.follow_up.as_of import due_weeks
from analysis.cohort.tables import Cohort
from analysis.outcomes.change.change import change_at_week
from analysis.outcomes.endpoint import Endpoint, MissingRule, rounding_room
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import share_difference, share_interval

#: Thresholds at which the distribution is given; more distinct changes than this are read off an even grid.
MOST_THRESHOLDS = 200


@dataclass(frozen=True, eq=False, repr=False)
class ChangeDistribution(ResultWithNotes):
    """Share of patients that improved by at least each amount, by protocol.

    Attributes
    ----------
    endpoint : Endpoint
        What is compared with each threshold; its own plays no part but for its criterion.
    shares : pandas.DataFrame
        protocol, threshold (improvement in the unit of the measure; negative ones are a worsening), n, responders,
        share, lower, upper, level, method.
    differences : pandas.DataFrame
        protocol, reference, threshold, n, reference_n, difference, lower, upper, level, method.
    """

    endpoint: Endpoint
    shares: pd.DataFrame
    differences: pd.DataFrame

    def _headline(self) -> str:
        return f"Share of patients at every threshold. {self.endpoint.words}"


def change_distribution(
    cohort: Cohort, endpoint: Endpoint, *, thresholds: Sequence[float] | None = None
) -> ChangeDistribution:
    """Give the cumulative distribution of improvement by a week, by protocol, with the difference at every threshold.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        By its criterion the distribution is of the improvement, of the improvement in per cent of the baseline, or of the
        value itself (share at or above each value; at or below where lower is better). It needs no threshold.
    thresholds : sequence of float, optional
        Amounts at which shares are given; by default every one seen (an even grid of 200 where there are more).

    Returns
    -------
    ChangeDistribution
        Shares and differences at every threshold.

    Raises
    ------
    ModelError
        The reference is not among the protocols.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> found = change_distribution(cohort, choose_endpoint(cohort, "pain", week=26), thresholds=[0, 2])
    >>> at_0, at_2 = (found.shares.query("threshold == @amount")["share"].tolist() for amount in (0, 2))
    >>> all(first >= second for first, second in zip(at_0, at_2))
    True
    """
    table = change_at_week(cohort, endpoint)
    table["amount"] = endpoint.amount(table["baseline"], table["value"])
    table["due"] = ~not_yet_due(cohort, endpoint, table)
    return distribution_of(table, endpoint, endpoint.compared_with(cohort, table["protocol"]), thresholds=thresholds)


def not_yet_due(cohort: Cohort, endpoint: Endpoint, table: pd.DataFrame) -> NDArray[np.bool_]:
    """Say who was not seen and not yet due by the as-of date, which is no failure; ``table`` has a row a patient of the cohort."""
    late: NDArray[np.bool_] = due_weeks(cohort).lt(endpoint.week).to_numpy() & table["value"].isna().to_numpy()
    return late


def distribution_of(
    table: pd.DataFrame, endpoint: Endpoint, reference: str, *, thresholds: Sequence[float] | None = None
) -> ChangeDistribution:
    """Give the distribution of a table with one row a patient: protocol, amount (compared with a threshold), due (or not yet)."""
    turn = endpoint.turn
    seen = table["amount"].to_numpy(dtype=float)
    grid = _grid(seen) if thresholds is None else np.unique(endpoint.limits(thresholds))
    shares = distribution_shares(table, grid, missing=endpoint.missing, level=endpoint.level)
    shares["threshold"] = turn * shares["threshold"] + 0.0  # nothing is 0, not -0
    what = {"improvement": "improvement", "percent": "improvement in per cent of the baseline", "state": "value"}
    side, ideal = "at most" if turn < 0 else "at least", endpoint.measure.ideal
    if ideal is not None and endpoint.criterion == "state":
        side = f"at least as near to {ideal:g} as"
    return ChangeDistribution(
        endpoint=endpoint,
        shares=shares,
        differences=distribution_differences(shares, reference, level=endpoint.level),
        notes=(
            f"Each share counts the patients whose {what[endpoint.criterion]} is {side} the threshold; read the whole curve.",
            "Intervals hold at each threshold by itself, not for the curve as a whole.",
            endpoint.denominator,
        ),
    )


def distribution_shares(
    table: pd.DataFrame, grid: NDArray[np.float64], *, missing: MissingRule, level: float
) -> pd.DataFrame:
    """Count the patients at or above each threshold; ``table`` has one row a patient with protocol, amount and due."""
    parts = []
    someone_seen = bool(table["amount"].notna().any())
    for name, rows in table.groupby("protocol", observed=True):
        known = np.sort(rows["amount"].dropna().to_numpy(dtype=float))
        n = int(rows["due"].sum()) if missing == "non-response" and someone_seen else len(known)
        reached = len(known) - np.searchsorted(known, grid - rounding_room(grid), side="left")
        counts = pd.DataFrame({"protocol": str(name), "threshold": grid, "n": n, "responders": reached})
        parts.append(counts.join(share_interval(reached, np.full(len(grid), n), level=level)))
    return pd.concat(parts, ignore_index=True)


def distribution_differences(shares: pd.DataFrame, reference: str, *, level: float) -> pd.DataFrame:
    """Compare the shares of every protocol with the reference's at each threshold."""
    counts = shares[["protocol", "threshold", "n", "responders"]]
    base = counts[counts["protocol"] == reference].drop(columns="protocol")
    pairs = counts[counts["protocol"] != reference].merge(base, on="threshold", suffixes=("", "_of_reference"))
    of_base = (pairs["responders_of_reference"], pairs["n_of_reference"])
    compared = share_difference(pairs["responders"], pairs["n"], *of_base, level=level)
    pairs = pairs.assign(reference=reference, reference_n=pairs["n_of_reference"])
    return pairs[["protocol", "reference", "threshold", "n", "reference_n"]].join(compared)


def _grid(improvement: NDArray[np.float64]) -> NDArray[np.float64]:
    seen = np.unique(improvement[np.isfinite(improvement)])
    if len(seen) > MOST_THRESHOLDS:
        return np.linspace(seen[0], seen[-1], MOST_THRESHOLDS)
    return seen
