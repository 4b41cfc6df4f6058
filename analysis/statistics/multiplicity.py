"""P values adjusted for the number of comparisons, by the usual simple procedures."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Procedure = Literal["holm", "bonferroni", "sidak"]


def adjusted_p_values(p_values: Floats, procedure: Procedure) -> Floats:
    """Adjust p values, none of them missing, in their order.

    As statsmodels does, which collects the garbage of the whole session at each call.

    Examples
    --------
    >>> adjusted_p_values(np.array([0.01, 0.04, 0.03]), "holm").tolist()
    [0.03, 0.06, 0.06]
    """
    count = len(p_values)
    if procedure == "sidak":
        with np.errstate(divide="ignore"):  # a p value of 1 stays one
            return np.asarray(-np.expm1(count * np.log1p(-p_values)), dtype=np.float64)
    if procedure == "bonferroni":
        return np.minimum(p_values * count, 1.0)
    order = np.argsort(p_values, kind="stable")
    adjusted = np.empty(count)
    adjusted[order] = np.maximum.accumulate(p_values[order] * np.arange(count, 0, -1))
    return np.minimum(adjusted, 1.0)
