"""Whether probabilities given are right: how often it was true, in bands of the probability."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analysis.errors import ModelError
from analysis.statistics.proportions import share_interval


def calibration_table(
    probability: ArrayLike, response: ArrayLike, *, tenths: int = 10, level: float = 0.95
) -> pd.DataFrame:
    """Compare predicted probabilities with what was true, in bands of equal width.

    Parameters
    ----------
    probability : array_like
        Predicted probabilities.
    response : array_like of bool
        What was true.
    tenths : int
        Number of bands.
    level : float
        Confidence level.

    Returns
    -------
    pandas.DataFrame
        band_from, band_to, n, mean_probability, responders, share, lower, upper, level, method; bands that hold nobody
        have missing shares. A probability at the edge of two bands is in the upper one.

    Raises
    ------
    ModelError
        A probability outside 0 to 1 or missing, or not one answer a probability.

    Examples
    --------
    >>> table = calibration_table([0.05, 0.06, 0.95], [False, False, True], tenths=2)
    >>> table[["n", "responders"]].to_numpy().tolist()
    [[2, 0], [1, 1]]
    """
    chance, truth = np.asarray(probability, dtype=float), np.asarray(response, dtype=bool)
    if chance.shape != truth.shape or not ((chance >= 0) & (chance <= 1)).all():
        raise ModelError(
            "Probabilities do not lie between 0 and 1, one for each answer.",
            where=f"{chance.size} probabilities, {truth.size} answers",
            what_to_do="Leave out patients without a probability from both.",
        )
    edges = np.arange(tenths + 1) / tenths  # 3 / 10 is 0.3; of np.linspace it is a little more
    place = np.clip(np.searchsorted(edges, chance, side="right") - 1, 0, tenths - 1)
    n = np.bincount(place, minlength=tenths)
    total = np.bincount(place, weights=chance, minlength=tenths)
    yes = np.bincount(place, weights=truth, minlength=tenths).astype("int64")
    table = pd.DataFrame({"band_from": edges[:-1], "band_to": edges[1:], "n": n})
    table["mean_probability"] = np.divide(total, n, out=np.full(tenths, np.nan), where=n > 0)
    return table.assign(responders=yes).join(share_interval(yes, n, level=level))
