"""Whom a comparison speaks of, and the weights that make each group like them."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Targets that are no single group.
Target = Literal["overlap", "everybody", "matching"]


def tilt(chances: Floats, target: Target | int) -> Floats:
    """Give how much each patient counts in a target: the tilting function h of the scores.

    Everybody: 1. A group, by its number: its score. Overlap: 1 / sum(1 / score), of two groups e (1 - e), so that patients
    for whom each group was as likely count most. Matching: the smallest score.

    Parameters
    ----------
    chances : ndarray, shape (patients, ..., groups)
        The scores.
    target : str or int
        The target; a number is a group.

    Returns
    -------
    ndarray, shape (patients, ...)

    Notes
    -----
    Li and Li, Ann Appl Stat 2019;13:2389; Li, Morgan and Zaslavsky, J Am Stat Assoc 2018;113:390; matching weights: Li and
    Greene, Int J Biostat 2013;9:215.

    Examples
    --------
    >>> tilt(np.array([[0.2, 0.8], [0.5, 0.5]]), "overlap").round(4).tolist()
    [0.16, 0.25]
    """
    if target == "everybody":
        return np.ones(chances.shape[:-1])
    if target == "overlap":
        return np.asarray(1 / (1 / chances).sum(axis=-1))
    if target == "matching":
        return np.asarray(chances.min(axis=-1))
    return np.asarray(chances[..., target]).copy()


def largest_tilt(target: Target | int, groups: int) -> float:
    """Give h where all groups were as likely, which is its largest value for overlap and matching.

    Examples
    --------
    >>> largest_tilt("overlap", 2), largest_tilt("matching", 2)
    (0.25, 0.5)
    """
    return float(tilt(np.full((1, groups), 1 / groups), target)[0])


def weights_of(amount: Floats, chances: Floats, codes: NDArray[np.intp]) -> Floats:
    """Give each patient's weight: the tilting function over the score of the group that the patient was in.

    Examples
    --------
    >>> chances = np.array([[0.2, 0.8], [0.5, 0.5]])
    >>> weights_of(tilt(chances, "everybody"), chances, np.array([0, 1])).tolist()
    [5.0, 2.0]
    """
    return np.asarray(amount / chances[np.arange(len(codes)), ..., codes])


def slopes_of_logs(chances: Floats, target: Target | int, codes: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Give derivatives of log h and of log weight by the logits, each shape (patients, groups - 1).

    Examples
    --------
    >>> of_tilt, of_weight = slopes_of_logs(np.array([[0.25, 0.75]]), "overlap", np.array([1]))
    >>> of_tilt.round(4).tolist(), of_weight.round(4).tolist()
    ([[-0.5]], [[-0.75]])
    """
    pull = _slopes_by_log_scores(chances, target)
    by_logit = pull - chances * pull.sum(axis=1, keepdims=True)
    own = np.eye(chances.shape[1])[codes] - chances
    return by_logit[:, 1:], (by_logit - own)[:, 1:]


def _slopes_by_log_scores(chances: Floats, target: Target | int) -> Floats:
    """Give derivatives of log h by the logarithm of each score, shape (patients, groups)."""
    if target == "everybody":
        return np.zeros_like(chances)
    if target == "overlap":
        return np.asarray(tilt(chances, target)[:, None] / chances)
    chosen = chances.argmin(axis=1) if target == "matching" else np.full(len(chances), target)
    return np.asarray(np.eye(chances.shape[1])[chosen])
