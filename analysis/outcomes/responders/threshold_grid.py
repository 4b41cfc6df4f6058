"""Responders over a grid of thresholds and both rules for missing visits, so that no one choice decides."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.cohort.reference import reference_protocol
from analysis.outcomes.change.change import BaselineRule, change_at_week
from analysis.outcomes.responders.change_distribution import (
    check_week,
    distribution_differences,
    distribution_shares,
)
from analysis.outcomes.responders.response_criterion import choose_criterion, compared_amount, compared_value
from analysis.outcomes.thresholds.chosen_threshold import ChosenThreshold
from analysis.result import Result
from analysis.statistics.proportions import add_number_needed, check_level

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.cohort.measures import Threshold
    from analysis.cohort.tables import Cohort
    from analysis.outcomes.responders.change_distribution import MissingRule
    from analysis.outcomes.thresholds.chosen_threshold import Criterion

#: Multiples of the chosen threshold on the default grid (design choice).
MULTIPLES = (0.5, 0.75, 1.0, 1.25, 1.5)
_RULES: tuple[MissingRule, ...] = ("excluded", "non-response")


@dataclass(frozen=True, eq=False, repr=False)
class ThresholdGrid(Result):
    """Responders at several thresholds and under both rules for missing visits.

    Attributes
    ----------
    threshold : ChosenThreshold
        The threshold of the main analysis.
    table : pandas.DataFrame
        missing, protocol, threshold, published ("MIC", "MDC" or missing), chosen (the main one), n, responders, share,
        lower, upper, level, method.
    differences : pandas.DataFrame
        missing, protocol, reference, threshold, chosen, n, reference_n, difference, lower, upper, level, method, and
        the number needed to treat as in :class:`analysis.outcomes.responders.responders.Responders`.
    notes : tuple of str
        How to read it.
    """

    threshold: ChosenThreshold
    table: pd.DataFrame
    differences: pd.DataFrame
    notes: tuple[str, ...]

    def _headline(self) -> str:
        return "Responders over a grid of thresholds"


def threshold_grid(
    cohort: Cohort,
    measure: str,
    *,
    week: float,
    thresholds: Sequence[float] | None = None,
    threshold: float | Threshold | None = None,
    criterion: Criterion = "improvement",
    limb: str | None = None,
    level: float = 0.95,
    reference: str | None = None,
    baseline: BaselineRule = "last before start",
) -> ThresholdGrid:
    """Repeat a responder analysis over thresholds and both rules for missing visits.

    Parameters
    ----------
    thresholds : sequence of float, optional
        The grid; by default half to one and a half times the main threshold, and every published one (for a state: the
        main threshold and 5 and 10 % below and above it).
    cohort, measure, week, threshold, criterion, limb, level, reference, baseline
        As in :func:`analysis.outcomes.responders.responders.responders`; ``threshold`` is the one of the main analysis.

    Returns
    -------
    ThresholdGrid
        Shares and differences at each threshold under each rule.

    Raises
    ------
    ModelError
        As of :func:`analysis.outcomes.responders.responders.responders`.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> found = threshold_grid(generate_cohort(patients=60, seed=1).observed, "pain", week=26)
    >>> sorted(found.table["threshold"].unique().tolist())
    [1.0, 1.16, 1.5, 2.0, 2.5, 2.8, 3.0]
    """
    check_level(level)
    known = cohort.measures[measure]
    chosen = choose_criterion(cohort, measure, threshold, criterion=criterion, week=week)
    patients = change_at_week(cohort, measure, week=check_week(week, criterion), limb=limb, baseline=baseline)
    patients["amount"] = compared_amount(patients, criterion, known)
    base = reference_protocol(cohort, patients["protocol"], reference)
    published = {one.value: one.kind for one in known.thresholds if one.accepted} if criterion == "improvement" else {}
    values = _default_grid(chosen, list(published)) if thresholds is None else list(thresholds)
    turn = known.sign if criterion == "state" else 1
    grid = np.unique(turn * np.array([*values, chosen.value], dtype=float))
    shares, gaps = [], []
    for rule in _RULES:
        one = distribution_shares(patients, grid, missing=rule, level=level)
        gap = distribution_differences(one, base, level=level)
        shares.append(one.assign(missing=rule))
        gaps.append(add_number_needed(gap).assign(missing=rule))
    table, differences = pd.concat(shares, ignore_index=True), pd.concat(gaps, ignore_index=True)
    for frame in (table, differences):
        frame["chosen"] = frame["threshold"] == compared_value(chosen, known)
        frame["threshold"] = turn * frame["threshold"]
        frame.insert(0, "missing", frame.pop("missing"))
    table["published"] = pd.Series([published.get(value) for value in table["threshold"]], dtype="str")
    return ThresholdGrid(
        threshold=chosen,
        table=table,
        differences=differences,
        notes=(chosen.words, "The conclusion should not hang on one threshold or one rule; look along the rows."),
    )


def _default_grid(chosen: ChosenThreshold, published: list[float]) -> list[float]:
    if chosen.criterion == "state":
        return [chosen.value * factor for factor in (0.9, 0.95, 1.0, 1.05, 1.1)]
    return sorted({*(chosen.value * factor for factor in MULTIPLES), *published})
