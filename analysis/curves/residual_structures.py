"""Residual covariance structures: V at the schedule and its derivatives, one small class each."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
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
Second = list[tuple[int, int, Array]]


@dataclass(frozen=True, eq=False)
class VisitGrid:
    """Where the visits of the patterns lie.

    Parameters
    ----------
    index : ndarray of int, shape (1 or patterns, slots)
        Each slot's place on the schedule.
    position : ndarray of float, same shape
        Its week, in units of ``unit``.
    weeks : ndarray of float
        The distinct weeks.
    unit : float
        Weeks in one unit of ``position``.
    """

    index: NDArray[np.int64]
    position: Array
    weeks: Array
    unit: float

    @property
    def same(self) -> Array:
        """One where two slots are the same slot, shape (1, slots, slots)."""
        return np.eye(self.index.shape[1])[None]

    @property
    def lag(self) -> Array:
        """Visits of the schedule between two slots."""
        return np.abs(self.index[:, :, None] - self.index[:, None, :]).astype(np.float64)

    @property
    def distance(self) -> Array:
        """Weeks between two slots, in units of ``unit``."""
        return np.abs(self.position[:, :, None] - self.position[:, None, :])

    def at(self, number: int) -> Array:
        """One at the slots of one scheduled week, shape (1 or patterns, slots)."""
        return (self.index == number).astype(np.float64)


class ResidualStructure(ABC):
    """A covariance of the visits of one patient, given its parameters theta.

    Attributes
    ----------
    links : tuple of str
        What the optimiser works on, one a parameter: "log", "log range", "atanh", "identity", or "cholesky" (all of them).
    needs_schedule, needs_order : bool
        Whether visits must follow a schedule, and whether a patient's week may occur only once.
    """

    needs_schedule = False
    needs_order = False

    def __init__(self, grid: VisitGrid) -> None:
        self.grid = grid
        self.links: tuple[str, ...] = ()
        self.names: tuple[str, ...] = ()

    @abstractmethod
    def starts(self) -> Sequence[Array]:
        """Give values of theta to start from, for a residual variance of one."""

    @abstractmethod
    def matrix(self, theta: Array) -> Array:
        """Give V, shape (1 or patterns, slots, slots)."""

    @abstractmethod
    def first(self, theta: Array) -> Array:
        """Give dV/dtheta, shape (parameters, 1 or patterns, slots, slots)."""

    def second(self, theta: Array) -> Second:  # noqa: ARG002
        """Give the second derivatives that are not zero, as (k, l, matrix) with k <= l."""
        return []

    def units(self, outcome: float) -> Array:
        """Give the factor from working to reported units of each parameter."""
        return np.full(len(self.names), outcome**2)


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

    def matrix(self, theta: Array) -> Array:
        """Give the full matrix."""
        return np.tensordot(theta, self._basis, axes=1)

    def first(self, theta: Array) -> Array:  # noqa: ARG002
        """Give the indicators of the pairs."""
        return self._basis


class FirstOrder(ResidualStructure):
    """First-order autoregressive by visit of the schedule: variance times rho to the lag."""

    needs_schedule = True
    needs_order = True

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        self.links, self.names = ("log", "atanh"), ("residual variance", "residual correlation of next visits")
        self._lag = grid.lag

    def starts(self) -> Sequence[Array]:
        """Start from a small, a middle and a large correlation."""
        return [np.array([1.0, rho]) for rho in (0.1, 0.5, 0.85)]

    def matrix(self, theta: Array) -> Array:
        """Give the decaying matrix."""
        return theta[0] * theta[1] ** self._lag

    def first(self, theta: Array) -> Array:
        """Give the derivatives by variance and correlation."""
        return np.stack([theta[1] ** self._lag, theta[0] * power_slope(theta[1], self._lag)])

    def second(self, theta: Array) -> Second:
        """Give the derivatives that involve the correlation."""
        slope = power_slope(theta[1], self._lag)
        return [(0, 1, slope), (1, 1, theta[0] * power_bend(theta[1], self._lag))]

    def units(self, outcome: float) -> Array:
        """Leave the correlation."""
        return np.array([outcome**2, 1.0])


class FirstOrderByWeek(ResidualStructure):
    """First-order autoregressive correlation with a variance per week."""

    needs_schedule = True
    needs_order = True

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        count = grid.weeks.size
        self.links = ("log",) * count + ("atanh",)
        self.names = (
            *(f"residual variance at week {week:g}" for week in grid.weeks),
            "residual correlation of next visits",
        )
        self._lag = grid.lag
        at = np.stack([grid.at(k) for k in range(count)])
        self._cross = at[:, :, :, None] + at[:, :, None, :]  # 1 in row and column k, 2 where they meet

    def starts(self) -> Sequence[Array]:
        """Start from equal variances and three correlations."""
        return [np.append(np.ones(len(self.names) - 1), rho) for rho in (0.1, 0.5, 0.85)]

    def _deviations(self, theta: Array) -> Array:
        deviation = np.sqrt(theta[:-1])[self.grid.index]
        product: Array = deviation[:, :, None] * deviation[:, None, :]
        return product

    def matrix(self, theta: Array) -> Array:
        """Give standard deviations times the decaying correlation."""
        return self._deviations(theta) * theta[-1] ** self._lag

    def first(self, theta: Array) -> Array:
        """Give the derivatives by each variance and the correlation."""
        by_variance = self._cross * self.matrix(theta) * (0.5 / theta[:-1])[:, None, None, None]
        by_correlation = self._deviations(theta) * power_slope(theta[-1], self._lag)
        return np.concatenate([by_variance, by_correlation[None]])

    def second(self, theta: Array) -> Second:
        """Give all second derivatives."""
        V, variances, last = self.matrix(theta), theta[:-1], len(theta) - 1
        slope = self._deviations(theta) * power_slope(theta[-1], self._lag)
        found: Second = []
        for k in range(last):
            off = (self._cross[k] == 1.0).astype(np.float64)
            found.append((k, k, -0.25 / variances[k] ** 2 * off * V))
            found.append((k, last, 0.5 / variances[k] * self._cross[k] * slope))
            for other in range(k + 1, last):
                pair = self._cross[k] * self._cross[other] * (1.0 - self.grid.same)
                meets = pair * (self._at(k, other))
                found.append((k, other, 0.25 / (variances[k] * variances[other]) * meets * V))
        found.append((last, last, self._deviations(theta) * power_bend(theta[-1], self._lag)))
        return found

    def _at(self, k: int, other: int) -> Array:
        one = self.grid.at(k)[:, :, None] * self.grid.at(other)[:, None, :]
        both: Array = one + one.transpose(0, 2, 1)
        return both

    def units(self, outcome: float) -> Array:
        """Leave the correlation."""
        return np.append(np.full(len(self.names) - 1, outcome**2), 1.0)


class Exponential(ResidualStructure):
    """Correlation exp(-distance / range), distance and range in weeks (continuous-time first-order)."""

    needs_order = True

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        self.links, self.names = ("log", "log range"), ("residual variance", "residual range in weeks")
        self._distance = grid.distance

    def starts(self) -> Sequence[Array]:
        """Start from a short, a middle and a long range."""
        return [np.array([1.0, reach]) for reach in (0.05, 0.3, 1.5)]

    def matrix(self, theta: Array) -> Array:
        """Give the decaying matrix."""
        return theta[0] * np.exp(-self._distance / theta[1])

    def first(self, theta: Array) -> Array:
        """Give the derivatives by variance and range."""
        decay = np.exp(-self._distance / theta[1])
        return np.stack([decay, theta[0] * decay * self._distance / theta[1] ** 2])

    def second(self, theta: Array) -> Second:
        """Give the derivatives that involve the range."""
        d, r = self._distance, theta[1]
        decay = np.exp(-d / r)
        return [(0, 1, decay * d / r**2), (1, 1, theta[0] * decay * (d**2 / r**4 - 2.0 * d / r**3))]

    def units(self, outcome: float) -> Array:
        """Give the range in weeks."""
        return np.array([outcome**2, self.grid.unit])


def power_slope(rho: float, lag: Array) -> Array:
    """Give d/drho of rho ** lag."""
    slope: Array = lag * rho ** np.maximum(lag - 1.0, 0.0)
    return slope


def power_bend(rho: float, lag: Array) -> Array:
    """Give the second derivative by rho of rho ** lag."""
    bend: Array = lag * (lag - 1.0) * rho ** np.maximum(lag - 2.0, 0.0)
    return bend


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
