"""Several hypotheses tested with one level that is passed on along a graph: fixed sequences, Holm, gatekeeping."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.errors import ModelError

Floats = NDArray[np.float64]
#: Room for the rounding of weights that should sum to 1.
_ROUNDING = 1e-9


def graphical_test(
    p_values: Sequence[float], weights: Sequence[float], transitions: Sequence[Sequence[float]], *, level: float = 0.95
) -> pd.DataFrame:
    """Test hypotheses by the sequentially rejective procedure of a graph.

    Each hypothesis holds a share of the error that is allowed in all, 1 - ``level``. One whose p value is at most its part is
    rejected, and its part goes on along its edges. The error over all true hypotheses stays at most 1 - ``level``, whatever
    the p values have to do with each other.

    Parameters
    ----------
    p_values : sequence of float
        A p value each; a missing one is never rejected.
    weights : sequence of float
        The share of each at the start; together at most 1.
    transitions : sequence of sequence of float
        Row i says which share of its part hypothesis i passes to each other one: rows sum to at most 1, the diagonal is 0.
    level : float
        Confidence level of all together.

    Returns
    -------
    pandas.DataFrame
        p_value, weight (at the start), adjusted_p_value (the smallest error allowed in all at which it is rejected; compare it
        with 1 - ``level``), rejected (bool) and order (1 for the first rejected, missing where not rejected).

    Raises
    ------
    ModelError
        Sizes do not fit, or weights or transitions are none.

    Notes
    -----
    Bretz, Maurer, Brannath & Posch, Stat Med 2009;28:586: algorithm 1, adjusted p values by algorithm 2. With equal weights
    that pass on equally it is Holm's procedure; with all weight on the first and a chain of edges a fixed sequence.

    Examples
    --------
    >>> chain = graphical_test([0.01, 0.04, 0.2, 0.001], [1, 0, 0, 0], sequence_of(4))
    >>> chain["adjusted_p_value"].tolist(), chain["rejected"].tolist()
    ([0.01, 0.04, 0.2, 0.2], [True, True, False, False])
    """
    p, share, passed = _checked(p_values, weights, transitions)
    error, adjusted, order = 1.0 - level, np.full(len(p), np.nan), np.full(len(p), np.nan)
    left, largest = np.isfinite(p), 0.0
    place = 0
    while (left & (share > 0)).any():
        ratio = np.where(left & (share > 0), p / np.where(share > 0, share, 1.0), np.inf)
        one = int(ratio.argmin())
        largest = min(max(largest, float(ratio[one])), 1.0)
        adjusted[one] = largest
        if largest <= error + _ROUNDING:
            place += 1
            order[one] = place
        left[one] = False
        share, passed = _without(one, share, passed)
    adjusted[left] = 1.0  # nothing was ever passed to them
    rejected = np.isfinite(order)
    return pd.DataFrame(
        {"p_value": p, "weight": np.asarray(weights, dtype=float), "adjusted_p_value": adjusted, "rejected": rejected,
         "order": order}
    )  # fmt: skip


def _without(one: int, share: Floats, passed: Floats) -> tuple[Floats, Floats]:
    """Take a hypothesis out of the graph: its part goes along its edges, and edges through it are joined."""
    share = share + share[one] * passed[one]
    loop = np.outer(passed[:, one], passed[one, :])
    stays = 1.0 - np.diag(loop)
    joined = np.where(
        stays[:, None] > _ROUNDING, (passed + loop) / np.where(stays > _ROUNDING, stays, 1.0)[:, None], 0.0
    )
    np.fill_diagonal(joined, 0.0)
    joined[one, :] = joined[:, one] = 0.0
    share[one] = 0.0
    return share, joined


def sequence_of(count: int) -> list[list[float]]:
    """Give the transitions of a fixed sequence: each passes all it has to the next.

    Examples
    --------
    >>> sequence_of(3)
    [[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, 0.0, 0.0]]
    """
    return np.eye(count, k=1).tolist()


def in_order(outcomes: int, protocols: int) -> tuple[list[float], list[list[float]]]:
    """Give weights and transitions of outcomes in order, each of several protocols compared with a reference.

    Hypotheses come outcome by outcome, in each protocol by protocol. The protocols share the error at the first outcome. A
    protocol that shows an outcome passes its part to its next one, and after the last to the first outcome of the other
    protocols, in equal parts.

    Examples
    --------
    >>> in_order(2, 2)[0], in_order(2, 2)[1][2]
    ([0.5, 0.5, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0])
    """
    count = outcomes * protocols
    weights = np.zeros(count)
    weights[:protocols] = 1.0 / protocols
    passed = np.eye(count, k=protocols)
    for last in range(count - protocols, count):
        others = [one for one in range(protocols) if one != last - (count - protocols)]
        passed[last, others] = 1.0 / max(len(others), 1)
    return weights.tolist(), passed.tolist()


def _checked(
    p_values: Sequence[float], weights: Sequence[float], transitions: Sequence[Sequence[float]]
) -> tuple[Floats, Floats, Floats]:
    p, share = np.asarray(p_values, dtype=float), np.asarray(weights, dtype=float)
    passed = np.asarray(transitions, dtype=float)
    where = f"{len(p)} p values, {len(share)} weights, transitions of shape {passed.shape}"
    if share.shape != p.shape or passed.shape != (len(p), len(p)):
        raise ModelError(
            "The graph does not fit the p values.",
            where=where,
            what_to_do="Give a weight and a row and a column of transitions for each p value.",
        )
    known = p[np.isfinite(p)]
    if ((known < 0) | (known > 1)).any():
        raise ModelError("A p value is below 0 or above 1.", where=where, what_to_do="Check the p values.")
    wrong_rows = (passed < 0).any() or (passed.sum(axis=1) > 1 + _ROUNDING).any() or np.diag(passed).any()
    if (share < 0).any() or share.sum() > 1 + _ROUNDING or wrong_rows:
        raise ModelError(
            "The weights or transitions are no shares.",
            where=where,
            what_to_do="Weights and each row of transitions are 0 or more and sum to at most 1, the diagonal is 0.",
        )
    return p, share, passed
