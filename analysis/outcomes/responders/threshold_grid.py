"""Responders over a grid of thresholds and both rules for missing visits, so that no one choice decides."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.tables import Cohort
from analysis.outcomes.change.change import change_at_week
from analysis.outcomes.endpoint import Endpoint, MissingRule
from analysis.outcomes.responders.change_distribution import distribution_differences, distribution_shares, not_yet_due
from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import add_number_needed

#: Multiples of the chosen threshold on the default grid (design choice).
MULTIPLES = (0.5, 0.75, 1.0, 1.25, 1.5)
_RULES: tuple[MissingRule, ...] = ("excluded", "non-response")


@dataclass(frozen=True, eq=False, repr=False)
class ThresholdGrid(ResultWithNotes):
    """Responders at several thresholds and under both rules for missing visits.

    Attributes
    ----------
    endpoint : Endpoint
        The main analysis.
    table : pandas.DataFrame
        missing, protocol, threshold, published ("MIC", "MDC" or missing), chosen (the main one), n, responders, share,
        lower, upper, level, method.
    differences : pandas.DataFrame
        missing, protocol, reference, threshold, chosen, n, reference_n, difference, lower, upper, level, method, and
        the number needed to treat as in :class:`analysis.outcomes.responders.responders.Responders`.
    """

    endpoint: Endpoint
    table: pd.DataFrame
    differences: pd.DataFrame

    def _headline(self) -> str:
        return "Responders over a grid of thresholds"


def threshold_grid(cohort: Cohort, endpoint: Endpoint, *, thresholds: Sequence[float] | None = None) -> ThresholdGrid:
    """Repeat a responder analysis over thresholds and both rules for missing visits.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        The main analysis.
    thresholds : sequence of float, optional
        The grid; by default half to one and a half times the main threshold, and every published one (for a state: the
        main threshold and 5 and 10 % below and above it).

    Returns
    -------
    ThresholdGrid
        Shares and differences at each threshold under each rule.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> found = threshold_grid(cohort, choose_endpoint(cohort, "pain", week=26))
    >>> sorted(found.table["threshold"].unique().tolist())
    [1.0, 1.16, 1.5, 2.0, 2.5, 2.8, 3.0]
    """
    chosen, turn = endpoint.to_reach, endpoint.turn
    patients = change_at_week(cohort, endpoint)
    patients["amount"] = endpoint.amount(patients["baseline"], patients["value"])
    patients["due"] = ~not_yet_due(cohort, endpoint, patients)
    base = endpoint.compared_with(cohort, patients["protocol"])
    accepted = [one for one in endpoint.measure.thresholds if one.accepted and endpoint.criterion == "improvement"]
    published = {one.value: one.kind for one in accepted}
    values = _default_grid(chosen, list(published)) if thresholds is None else list(thresholds)
    grid = np.unique(endpoint.limits([*values, chosen.value]))
    shares, gaps = [], []
    for rule in _RULES:
        one = distribution_shares(patients, grid, missing=rule, level=endpoint.level)
        gap = distribution_differences(one, base, level=endpoint.level)
        shares.append(one.assign(missing=rule))
        gaps.append(add_number_needed(gap).assign(missing=rule))
    table, differences = pd.concat(shares, ignore_index=True), pd.concat(gaps, ignore_index=True)
    for frame in (table, differences):
        frame["chosen"] = frame["threshold"] == endpoint.limit
        frame["threshold"] = turn * frame["threshold"]
        frame.insert(0, "missing", frame.pop("missing"))
    table["published"] = pd.Series([published.get(value) for value in table["threshold"]], dtype="str")
    return ThresholdGrid(
        endpoint=endpoint,
        table=table,
        differences=differences,
        notes=(chosen.words, "The conclusion should not hang on one threshold or one rule; look along the rows."),
    )


def _default_grid(chosen: ChosenThreshold, published: list[float]) -> list[float]:
    if chosen.criterion == "state":
        return [chosen.value * factor for factor in (0.9, 0.95, 1.0, 1.05, 1.1)]
    return sorted({*(chosen.value * factor for factor in MULTIPLES), *published})
