"""Whether these visits can tell the covariance parameters of a model apart."""

from __future__ import annotations

import numpy as np

from analysis.curves.covariances.residual_base import Array
from analysis.curves.engine.likelihood import Likelihood

_SINGULAR = 1e-9
"""Smallest eigenvalue of the information, scaled by what it would be without fixed effects, that is more than rounding:
where parameters can be told apart it was above 1e-6 in 2,000 random designs, where they cannot below 1e-14."""


def confounded(likelihood: Likelihood) -> list[int]:
    """Find covariance parameters that cannot be told apart, whatever the outcome.

    The expected information of the restricted likelihood knows the visits and the fixed effects but not the outcome;
    at a point inside the range of all parameters it is singular just where the model is not identified: a variance
    at a week whose mean takes all that was seen there, a patient effect that the residual correlation can say as well.
    Given are the places in theta of the parameters that share a direction without information.
    """
    theta = _inside(likelihood)
    restricted, full = (Likelihood(likelihood.basis, likelihood.covariance, m).at(theta) for m in ("reml", "ml"))
    if restricted is None or full is None:
        return []
    size = np.sqrt(np.diag(full.expected))  # before the fixed effects took their share
    values, vectors = np.linalg.eigh(restricted.expected / np.outer(size, size))
    if values[0] > _SINGULAR:
        return []
    share = np.abs(vectors[:, values <= _SINGULAR]).max(axis=1)
    return [int(place) for place in np.flatnonzero(share > 0.1)]


def _inside(likelihood: Likelihood) -> Array:
    """Give a theta at which no two parameters happen to have the same derivative: unequal variances, correlated effects."""
    covariance = likelihood.covariance
    rows, columns = covariance.places
    starts = covariance.residual.starts()
    residual = np.array(starts[len(starts) // 2], dtype=np.float64)
    variances = np.array([link == "log" for link in covariance.residual.links], dtype=bool)
    residual[variances] *= 1.0 + 0.1 * np.arange(int(variances.sum()))
    return np.concatenate([np.where(rows == columns, 0.5, 0.05), residual])
