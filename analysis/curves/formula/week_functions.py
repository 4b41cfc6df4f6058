"""Functions of the week that a formula may use: splines, broken lines, logarithm."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from formulaic.materializers.types import FactorValues
from numpy.typing import ArrayLike, NDArray

from analysis.errors import ModelError

SPLINE_DF = 3
"""Columns of ``week_spline``: two inner knots (fewer where there are fewer weeks)."""


def spline_knots(weeks: ArrayLike, df: int) -> NDArray[np.float64]:
    """Place the knots of a natural cubic spline of ``df`` columns: ``df + 1`` weeks, increasing.

    They are the first and last week, and quantiles of the distinct weeks between: only distinct weeks count, so that a well
    attended one does not draw the knots to itself.

    Raises
    ------
    ModelError
        Where ``df`` is not at least 1, or there are not ``df + 1`` distinct weeks.

    Examples
    --------
    >>> spline_knots([0, 4, 8, 12], 3)
    array([ 0.,  4.,  8., 12.])
    """
    distinct = np.unique(np.asarray(weeks, dtype=np.float64))
    if df < 1 or distinct.size < df + 1:
        raise ModelError(
            f"A natural spline with df={df} needs at least {max(df, 1) + 1} distinct weeks.",
            where=f"{distinct.size} distinct weeks",
            what_to_do="Ask for a smaller df, or use C(week) or week itself.",
        )
    return np.quantile(distinct, np.linspace(0.0, 1.0, df + 1))


def natural_spline_basis(week: ArrayLike, knots: ArrayLike) -> NDArray[np.float64]:
    """Evaluate a natural cubic spline basis without its constant, shape (weeks, knots - 1); the first column is the straight line.

    The truncated-power form of Hastie, Tibshirani & Friedman (2009, The Elements of Statistical Learning,
    eq. 5.4 and 5.5), on the week rescaled to 0 at the first and 1 at the last of the increasing knots: cubic between the
    knots, straight outside the first and last one.

    Examples
    --------
    >>> natural_spline_basis([0.0, 6.0, 12.0], [0.0, 6.0, 12.0]).round(4).tolist()
    [[0.0, 0.0], [0.5, 0.125], [1.0, 0.75]]
    """
    places = np.asarray(knots, dtype=np.float64)
    span = places[-1] - places[0]
    x = (np.asarray(week, dtype=np.float64) - places[0]) / span
    t = (places - places[0]) / span

    def bend(k: int) -> NDArray[np.float64]:
        cubes: NDArray[np.float64] = np.maximum(x - t[k], 0.0) ** 3 - np.maximum(x - t[-1], 0.0) ** 3
        return cubes / (t[-1] - t[k])

    columns = [x]
    if len(t) > 2:
        last = bend(len(t) - 2)
        columns.extend(bend(k) - last for k in range(len(t) - 2))
    return np.column_stack(columns)


def _factor(values: NDArray[np.float64]) -> Any:
    """Hand a matrix to formulaic as one factor whose columns are called [1], [2], ..."""
    return FactorValues(
        {number + 1: values[:, number] for number in range(values.shape[1])},
        kind="numerical",
        spans_intercept=False,
        format="{name}[{field}]",
        encoded=False,
    )


@dataclass(frozen=True)
class WeekFunctions:
    """The week functions of one data set; from its distinct weeks knots are placed, so that later weeks get the same ones."""

    weeks: NDArray[np.float64]

    def natural_spline(self, week: Any, df: int = SPLINE_DF, knots: Sequence[float] | None = None) -> Any:
        """Evaluate ``natural_spline(week, df=3)`` or ``natural_spline(week, knots=[0, 6, 12, 26])``."""
        places = spline_knots(self.weeks, df) if knots is None else np.asarray(knots, dtype=np.float64)
        if places.size < 2 or bool(np.any(np.diff(places) <= 0.0)):
            raise ModelError(
                "The knots of a natural spline must be at least two weeks, increasing.",
                where=f"knots={places.tolist()}",
                what_to_do="Give the first and last week and the weeks between at which the curve may bend.",
            )
        return _factor(natural_spline_basis(week, places))

    def week_spline(self, week: Any) -> Any:
        """Evaluate the ready-made spline: ``natural_spline`` with three columns, or as many as the weeks allow."""
        return self.natural_spline(week, df=max(1, min(SPLINE_DF, self.weeks.size - 1)))

    def piecewise(self, week: Any, knots: Sequence[float] | float) -> Any:
        """Evaluate ``piecewise(week, [6, 12])``: a straight line whose slope changes at each knot.

        The first column is the week, column k + 1 is the weeks since knot k (0 before it): its coefficient is
        the change of slope at that knot.
        """
        places = np.sort(np.atleast_1d(np.asarray(knots, dtype=np.float64)))
        x = np.asarray(week, dtype=np.float64)
        return _factor(np.column_stack([x, *(np.maximum(x - place, 0.0) for place in places)]))

    def context(self) -> Mapping[str, Any]:
        """Give the names that a formula may use."""
        return {"natural_spline": self.natural_spline, "piecewise": self.piecewise, "log1p": np.log1p}
