"""How likely true values reach a threshold, normal as the visits leave them: by their sum, or by their distance from the best."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

Floats = NDArray[np.float64]

#: Strata of the true baseline in each draw, so that few draws give a smooth chance.
_STRATA = 8
#: A variance of nothing, which is still divided by.
_NOTHING = 1e-300


class Reach(Protocol):
    """What must be reached by k sums of the true values at the m weeks."""

    @property
    def contrasts(self) -> Floats:
        """Weights of the sums, shape (m, k)."""

    def judge(self, mean: Floats, covariance: Floats, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
        """Give of each patient mean and mean square of what is judged, and the chance that it reaches the threshold.

        ``mean``, shape (n, k), and ``covariance``, shape (n, k, k), are those of the sums.
        """


@dataclass(frozen=True, eq=False)
class AtLeast:
    """One sum must be at least a threshold; ``contrasts`` has the shape (m, 1).

    Examples
    --------
    >>> reach = AtLeast(np.array([[-1.0], [1.0]]), 5.0)
    >>> reach.judge(np.array([[5.0]]), np.array([[[4.0]]]), np.random.default_rng(1))
    (array([5.]), array([29.]), array([0.5]))
    """

    contrasts: Floats
    threshold: float

    def judge(
        self,
        mean: Floats,
        covariance: Floats,
        rng: np.random.Generator,  # noqa: ARG002 - nothing is drawn
    ) -> tuple[Floats, Floats, Floats]:
        """As in :class:`Reach`."""
        here, sd = mean[:, 0], np.sqrt(np.maximum(covariance[:, 0, 0], _NOTHING))
        return here, sd**2 + here**2, ndtr((here - self.threshold) / sd)


@dataclass(frozen=True, eq=False)
class Within:
    """One value must lie within a distance of the best one, on either side; ``contrasts`` has the shape (m, 1).

    Examples
    --------
    >>> reach = Within(np.array([[1.0]]), ideal=0.0, distance=2.0)
    >>> reach.judge(np.array([[2.0]]), np.array([[[0.25]]]), np.random.default_rng(1))[2].round(3)
    array([0.5])
    """

    contrasts: Floats
    ideal: float
    distance: float

    def judge(
        self,
        mean: Floats,
        covariance: Floats,
        rng: np.random.Generator,  # noqa: ARG002 - nothing is drawn
    ) -> tuple[Floats, Floats, Floats]:
        """As in :class:`Reach`; judged is the value."""
        here, sd = mean[:, 0], np.sqrt(np.maximum(covariance[:, 0, 0], _NOTHING))
        return here, sd**2 + here**2, _within(here - self.ideal, sd, np.full(len(here), self.distance))


@dataclass(frozen=True, eq=False)
class Nearer:
    """The second value must lie nearer to the best one than the first by a threshold; ``contrasts`` has the shape (m, 2).

    The difference of two distances is not normal. The first value is drawn, in strata; given it the second is normal, so
    that its distance needs no draws.

    Examples
    --------
    >>> reach = Nearer(np.eye(2), ideal=0.0, threshold=5.0)
    >>> sure = np.zeros((2, 2, 2))
    >>> first, _, chance = reach.judge(np.array([[-8.0, -1.0], [-8.0, 9.0]]), sure, np.random.default_rng(1))
    >>> first.tolist(), chance.tolist()
    ([7.0, -1.0], [1.0, 0.0])
    """

    contrasts: Floats
    ideal: float
    threshold: float

    def judge(self, mean: Floats, covariance: Floats, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
        """As in :class:`Reach`; judged is how much nearer."""
        before, after = (mean - self.ideal).T
        variance = np.maximum(covariance[:, 0, 0], _NOTHING)
        slope = covariance[:, 0, 1] / variance
        rest = np.sqrt(np.maximum(covariance[:, 1, 1] - slope * covariance[:, 0, 1], _NOTHING))
        strata = (np.arange(_STRATA)[:, None] + rng.random((_STRATA, len(mean)))) / _STRATA
        off = np.sqrt(variance) * ndtri(strata)
        far, then = np.abs(before + off), after + slope * off
        distance = rest * np.sqrt(2 / np.pi) * np.exp(-((then / rest) ** 2) / 2) + then * (1 - 2 * ndtr(-then / rest))
        square = far**2 - 2 * far * distance + rest**2 + then**2
        chance = _within(then, rest, far - self.threshold)
        return (far - distance).mean(axis=0), square.mean(axis=0), chance.mean(axis=0)


def _within(mean: Floats, sd: Floats, distance: Floats) -> Floats:
    """Give the chance that a normal value lies within a distance of 0; none where the distance is below 0."""
    return np.maximum(ndtr((distance - mean) / sd) - ndtr((-distance - mean) / sd), 0.0)
