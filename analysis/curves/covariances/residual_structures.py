"""Residual covariance structures that are linear in their parameters, one small class each, and all of them by name."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from analysis.curves.covariances.residual_base import Array, ResidualStructure, VisitGrid
from analysis.curves.covariances.residual_decaying import Exponential, FirstOrder, FirstOrderByWeek

Residual = Literal[
    "independent",
    "by-week",
    "compound-symmetry",
    "ar1",
    "ar1-by-week",
    "exponential",
    "toeplitz",
    "unstructured",
]


class Linear(ResidualStructure):
    """A covariance that is a sum of parameters times fixed matrices.

    Attributes
    ----------
    matrices : ndarray, shape (parameters, 1 or patterns, slots, slots)
        What each parameter is multiplied by: the derivatives of V.
    """

    matrices: Array

    def starts(self) -> Sequence[Array]:
        """Start at equal variances without covariance."""
        return [np.array([float(name.startswith("residual variance")) for name in self.names])]

    def matrix(self, theta: Array) -> Array:
        """Give the sum of the matrices, each times its parameter."""
        return np.tensordot(theta, self.matrices, axes=1)

    def first(self, theta: Array) -> Array:  # noqa: ARG002
        """Give the matrices."""
        return self.matrices


class Nothing(Linear):
    """No residual: what remains of a singular unstructured covariance, which goes into the patient effects."""

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        self.matrices = np.zeros((0, *grid.same.shape))


class Independent(Linear):
    """The same variance at every visit, no correlation."""

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        self.links, self.names = ("log",), ("residual variance",)
        self.matrices = grid.same[None]


class ByWeek(Linear):
    """A variance per scheduled week, no correlation."""

    needs_schedule = True

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        self.links = ("log",) * grid.weeks.size
        self.names = tuple(f"residual variance at week {week:g}" for week in grid.weeks)
        self.matrices = np.stack([grid.at(k)[:, :, None] * grid.same for k in range(grid.weeks.size)])


class CompoundSymmetry(Linear):
    """One variance and one covariance, which may be negative."""

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        self.links, self.names = ("identity",) * 2, ("residual variance", "residual covariance")
        self.matrices = np.stack([grid.same, np.ones_like(grid.same) - grid.same])

    def distant_starts(self) -> Sequence[Array]:
        """Start from a large and from a negative covariance."""
        return [np.array([1.0, 0.7]), np.array([1.0, -0.7 / max(self.grid.index.shape[1] - 1, 1)])]


class Toeplitz(Linear):
    """A covariance for each distance in visits of the schedule."""

    needs_schedule = True
    needs_order = True

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        size = grid.weeks.size
        self.links = ("identity",) * size
        self.names = ("residual variance", *(f"residual covariance, {lag} visits apart" for lag in range(1, size)))
        self.matrices = np.stack([(grid.lag == lag).astype(np.float64) for lag in range(size)])

    def distant_starts(self) -> Sequence[Array]:
        """Start from a correlation that falls from visit to visit, and from one that changes its sign."""
        lags = np.arange(len(self.names))
        return [np.power(start, lags, dtype=np.float64) for start in (0.7, -0.5)]


class Unstructured(Linear):
    """A variance for each week and a covariance for each pair of weeks."""

    needs_schedule = True
    needs_order = True

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        rows, columns = np.tril_indices(grid.weeks.size)
        self.links = ("cholesky",) * rows.size
        names, matrices = [], []
        for a, b in zip(rows.tolist(), columns.tolist(), strict=True):
            one: Array = grid.at(a)[:, :, None] * grid.at(b)[:, None, :]
            matrices.append(one if a == b else one + one.transpose(0, 2, 1))
            weeks = f"{grid.weeks[b]:g} and {grid.weeks[a]:g}"
            names.append(
                f"residual variance at week {grid.weeks[a]:g}" if a == b else f"residual covariance of weeks {weeks}"
            )
        self.names, self.matrices = tuple(names), np.stack(matrices)

    def distant_starts(self) -> Sequence[Array]:
        """Start from equal correlations, high and very high."""
        variances = self.starts()[0]
        return [(1.0 - start) * variances + start for start in (0.7, 0.97)]


STRUCTURES: dict[str, type[ResidualStructure]] = {
    "independent": Independent,
    "by-week": ByWeek,
    "compound-symmetry": CompoundSymmetry,
    "ar1": FirstOrder,
    "ar1-by-week": FirstOrderByWeek,
    "exponential": Exponential,
    "toeplitz": Toeplitz,
    "unstructured": Unstructured,
}
