"""What every residual covariance structure is made from: the visits it covers, and what it can be asked."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
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

    def distant_starts(self) -> Sequence[Array]:
        """Give further values to start from where there are few patients; none by default."""
        return []

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
