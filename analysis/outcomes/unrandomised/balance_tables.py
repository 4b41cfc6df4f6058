"""Balance before and after weighting, for every pair of protocols, and what the weights of each stand for."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.outcomes.unrandomised.baseline_columns import SQUARED, Balanced
from analysis.statistics.weighting.balance_measures import (
    distance,
    effective_size,
    largest_share,
    variance_ratio,
    weighted_mean,
)

Floats = NDArray[np.float64]


def balance_table(
    balanced: Sequence[Balanced], codes: NDArray[np.intp], weights: Floats, names: Sequence[str]
) -> pd.DataFrame:
    """Give balance by term and pair of protocols, columns as of :class:`BalanceWeights`."""
    rows = []
    for one, (first, second) in itertools.product(balanced, itertools.combinations(range(len(names)), 2)):
        here, there = codes == second, codes == first
        sides = one.numbers[here], one.numbers[there], weights[here], weights[there]
        before, after = distance(*sides)
        even = np.ones(len(sides[0])), np.ones(len(sides[1]))
        ratios = (np.nan, np.nan)
        if one.is_number:
            ratios = variance_ratio(*sides[:2], *even), variance_ratio(*sides)
        rows.append((one.covariate, one.term, f"{names[second]} - {names[first]}", before, after, *ratios))
    columns = ["covariate", "term", "pair", "smd_before", "smd_after", "variance_ratio_before", "variance_ratio"]
    return pd.DataFrame(rows, columns=columns)


def overlap_table(codes: NDArray[np.intp], weights: Floats, chances: Floats, names: Sequence[str]) -> pd.DataFrame:
    """Give what the weights of each protocol stand for, columns as of :class:`BalanceWeights`."""
    rows = []
    for group, name in enumerate(names):
        mine = weights[codes == group]
        score = chances[:, group]
        rows.append(
            (name, len(mine), effective_size(mine), largest_share(mine), float(score.min()), float(score.max()))
        )
    return pd.DataFrame(rows, columns=["protocol", "n", "ess", "largest_share", "lowest_score", "highest_score"])


def target_table(
    balanced: Sequence[Balanced], codes: NDArray[np.intp], weights: Floats, amount: Floats, names: Sequence[str]
) -> pd.DataFrame:
    """Give who the target is, columns as of :class:`BalanceWeights`; ``amount`` is the tilting function."""
    groups = [("all", np.ones(len(codes), dtype=bool), amount)]
    groups += [(name, codes == group, weights) for group, name in enumerate(names)]
    rows = [
        (
            one.covariate,
            one.term,
            name,
            int(mine.sum()),
            float(one.numbers[mine].mean()),
            weighted_mean(one.numbers[mine], own[mine]),
        )
        for one in balanced
        if one.term != SQUARED
        for name, mine, own in groups
    ]
    return pd.DataFrame(rows, columns=["covariate", "term", "protocol", "n", "mean", "weighted_mean"])


def outside_common_range(codes: NDArray[np.intp], chances: Floats) -> NDArray[np.bool_]:
    """Say which patients have a score, of any protocol, that lies outside what was seen in every protocol.

    Examples
    --------
    >>> chances = np.array([[0.1, 0.9], [0.5, 0.5], [0.6, 0.4], [0.8, 0.2]])
    >>> outside_common_range(np.array([1, 0, 1, 0]), chances).tolist()
    [True, False, False, True]
    """
    groups = range(chances.shape[1])
    lowest = np.max([chances[codes == group].min(axis=0) for group in groups], axis=0)
    highest = np.min([chances[codes == group].max(axis=0) for group in groups], axis=0)
    return np.asarray(((chances < lowest) | (chances > highest)).any(axis=1))
