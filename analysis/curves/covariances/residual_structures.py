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


class Nothing(ResidualStructure):
    """No residual: what remains of a singular unstructured covariance, which goes into the patient effects."""

    def starts(self) -> Sequence[Array]:
        """Start from nothing."""
        return [np.zeros(0)]

    def matrix(self, theta: Array) -> Array:  # noqa: ARG002
        """Give zero."""
        return 0.0 * self.grid.same

    def first(self, theta: Array) -> Array:  # noqa: ARG002
        """Give no derivative."""
        return np.zeros((0, *self.grid.same.shape))


class Independent(ResidualStructure):
    """The same variance at every visit, no correlation."""

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        self.links, self.names = ("log",), ("residual variance",)

    def starts(self) -> Sequence[Array]:
        """Start at one."""
        return [np.ones(1)]

    def matrix(self, theta: Array) -> Array:
        """Give the scaled identity."""
        return theta[0] * self.grid.same

    def first(self, theta: Array) -> Array:  # noqa: ARG002
        """Give the identity."""
        return self.grid.same[None]


class ByWeek(ResidualStructure):
    """A variance per scheduled week, no correlation."""

    needs_schedule = True

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        self.links = ("log",) * grid.weeks.size
        self.names = tuple(f"residual variance at week {week:g}" for week in grid.weeks)
        self._basis = np.stack([grid.at(k)[:, :, None] * grid.same for k in range(grid.weeks.size)])

    def starts(self) -> Sequence[Array]:
        """Start at equal variances."""
        return [np.ones(len(self.names))]

    def matrix(self, theta: Array) -> Array:
        """Give a diagonal matrix."""
        return np.tensordot(theta, self._basis, axes=1)

    def first(self, theta: Array) -> Array:  # noqa: ARG002
        """Give the indicators of the weeks."""
        return self._basis


class CompoundSymmetry(ResidualStructure):
    """One variance and one covariance, which may be negative."""

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        self.links, self.names = ("identity",) * 2, ("residual variance", "residual covariance")
        self._basis = np.stack([grid.same, np.ones_like(grid.same) - grid.same])

    def starts(self) -> Sequence[Array]:
        """Start without correlation."""
        return [np.array([1.0, 0.0])]

    def distant_starts(self) -> Sequence[Array]:
        """Start from a large and from a negative covariance."""
        return [np.array([1.0, 0.7]), np.array([1.0, -0.7 / max(self.grid.index.shape[1] - 1, 1)])]

    def matrix(self, theta: Array) -> Array:
        """Give the variance on, and the covariance off the diagonal."""
        return np.tensordot(theta, self._basis, axes=1)

    def first(self, theta: Array) -> Array:  # noqa: ARG002
        """Give the two patterns."""
        return self._basis


class Toeplitz(ResidualStructure):
    """A covariance for each distance in visits of the schedule."""

    needs_schedule = True
    needs_order = True

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        size = grid.weeks.size
        self.links = ("identity",) * size
        self.names = ("residual variance", *(f"residual covariance, {lag} visits apart" for lag in range(1, size)))
        self._basis = np.stack([(grid.lag == lag).astype(np.float64) for lag in range(size)])

    def starts(self) -> Sequence[Array]:
        """Start without correlation."""
        return [np.eye(len(self.names))[0]]

    def distant_starts(self) -> Sequence[Array]:
        """Start from a correlation that falls from visit to visit, and from one that changes its sign."""
        lags = np.arange(len(self.names))
        return [np.power(start, lags, dtype=np.float64) for start in (0.7, -0.5)]

    def matrix(self, theta: Array) -> Array:
        """Give a banded matrix."""
        return np.tensordot(theta, self._basis, axes=1)

    def first(self, theta: Array) -> Array:  # noqa: ARG002
        """Give the bands."""
        return self._basis


class Unstructured(ResidualStructure):
    """A variance for each week and a covariance for each pair of weeks."""

    needs_schedule = True
    needs_order = True

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        rows, columns = np.tril_indices(grid.weeks.size)
        self.links = ("cholesky",) * rows.size
        names, basis = [], []
        for a, b in zip(rows.tolist(), columns.tolist(), strict=True):
            one: Array = grid.at(a)[:, :, None] * grid.at(b)[:, None, :]
            basis.append(one if a == b else one + one.transpose(0, 2, 1))
            weeks = f"{grid.weeks[b]:g} and {grid.weeks[a]:g}"
            names.append(
                f"residual variance at week {grid.weeks[a]:g}" if a == b else f"residual covariance of weeks {weeks}"
            )
        self.names, self._basis = tuple(names), np.stack(basis)
        self._diagonal = (rows == columns).astype(np.float64)

    def starts(self) -> Sequence[Array]:
        """Start at the identity."""
        return [self._diagonal]

    def distant_starts(self) -> Sequence[Array]:
        """Start from equal correlations, high and very high."""
        return [(1.0 - start) * self._diagonal + start for start in (0.7, 0.97)]

    def matrix(self, theta: Array) -> Array:
        """Give the full matrix."""
        return np.tensordot(theta, self._basis, axes=1)

    def first(self, theta: Array) -> Array:  # noqa: ARG002
        """Give the indicators of the pairs."""
        return self._basis


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
