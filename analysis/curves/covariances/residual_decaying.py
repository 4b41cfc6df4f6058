"""Residual structures whose correlation falls with the distance of the visits; not linear in their parameters."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.curves.covariances.residual_base import Array, ResidualStructure, Second, VisitGrid


class FirstOrder(ResidualStructure):
    """First-order autoregressive by visit of the schedule: variance times rho to the lag."""

    needs_schedule = True
    needs_order = True

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        self.links, self.names = ("log", "atanh"), ("residual variance", "residual correlation of next visits")
        self._lag = grid.lag

    def starts(self) -> Sequence[Array]:
        """Start from equal variances, and from a small, a middle and a large correlation."""
        return [np.append(np.ones(len(self.names) - 1), rho) for rho in (0.1, 0.5, 0.85)]

    def distant_starts(self) -> Sequence[Array]:
        """Start from a negative, a very high and a very low correlation."""
        return [np.append(np.ones(len(self.names) - 1), rho) for rho in (-0.4, 0.97, -0.97)]

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
        return np.append(np.full(len(self.names) - 1, outcome**2), 1.0)


class FirstOrderByWeek(FirstOrder):
    """First-order autoregressive correlation with a variance per week."""

    def __init__(self, grid: VisitGrid) -> None:
        super().__init__(grid)
        count = grid.weeks.size
        self.links = ("log",) * count + ("atanh",)
        self.names = (
            *(f"residual variance at week {week:g}" for week in grid.weeks),
            "residual correlation of next visits",
        )
        at = np.stack([grid.at(k) for k in range(count)])
        self._cross = at[:, :, :, None] + at[:, :, None, :]  # 1 in row and column k, 2 where they meet
        self._off = (self._cross == 1.0).astype(np.float64)
        both = at[:, None, :, :, None] * at[None, :, :, None, :]
        self._meets = both + both.swapaxes(-1, -2)  # 1 where weeks k and l meet

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
            found.append((k, k, -0.25 / variances[k] ** 2 * self._off[k] * V))
            found.append((k, last, 0.5 / variances[k] * self._cross[k] * slope))
            for other in range(k + 1, last):
                found.append((k, other, 0.25 / (variances[k] * variances[other]) * self._meets[k, other] * V))
        found.append((last, last, self._deviations(theta) * power_bend(theta[-1], self._lag)))
        return found


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
