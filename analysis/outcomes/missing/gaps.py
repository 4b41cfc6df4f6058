"""The gaps in the visits of patients, and how they are filled from a normal."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def patterns(values: Floats) -> list[tuple[NDArray[np.bool_], NDArray[np.int64]]]:
    """Group patients by the weeks at which they were seen.

    Examples
    --------
    >>> groups = patterns(np.array([[1.0, np.nan], [2.0, 3.0], [4.0, np.nan]]))
    >>> [(seen.tolist(), rows.tolist()) for seen, rows in groups]
    [([True, False], [0, 2]), ([True, True], [1])]
    """
    known = np.isfinite(values)
    distinct, place = np.unique(known, axis=0, return_inverse=True)
    place = place.ravel()
    return [(seen, np.flatnonzero(place == k)) for k, seen in enumerate(distinct)]


class Gaps:
    """The gaps of all patients, pattern after pattern, so that every pattern's normal is worked out at once.

    Parameters
    ----------
    values : ndarray, shape (patients, weeks)
        What was seen, missing elsewhere.
    places : sequence of int
        Places of the weeks whose gaps are filled.

    Attributes
    ----------
    rows : ndarray of int, shape (patients with a gap,)
        Their places among the patients.
    seen : ndarray of bool, shape (patterns, weeks)
        The weeks seen in each pattern.
    pattern : ndarray of int, shape (patients with a gap,)
        The pattern of each.

    Examples
    --------
    >>> gaps = Gaps(np.array([[1.0, np.nan], [2.0, 3.0]]), [1])
    >>> filled = gaps.fill(np.array([[1.0, 5.0]]), np.array([[1.0, 0.0], [0.0, 1e-12]]), np.random.default_rng(1))
    >>> filled.round(3).tolist()
    [[1.0, 5.0], [2.0, 3.0]]
    """

    def __init__(self, values: Floats, places: Sequence[int]) -> None:
        self.values, self.places = values, np.array(places, dtype=np.int64)
        groups = [(seen, rows) for seen, rows in patterns(values) if not seen[self.places].all()]
        self.seen = np.array([seen for seen, _ in groups], dtype=bool).reshape(len(groups), values.shape[1])
        self.rows = np.concatenate([np.zeros(0, dtype=np.int64), *(rows for _, rows in groups)])
        stops = np.cumsum([0, *(len(rows) for _, rows in groups)])
        self.slices = [slice(int(a), int(b)) for a, b in pairwise(stops)]
        self.pattern = np.repeat(np.arange(len(groups)), np.diff(stops))
        self.known = self.seen[self.pattern]
        self.here = np.where(self.known, values[self.rows], 0.0)

    def fill(self, expected: Floats, covariance: Floats, rng: np.random.Generator) -> Floats:
        """Fill the gaps once, given what was seen.

        Parameters
        ----------
        expected : ndarray, shape (patients with a gap, weeks)
            Means of the patients in ``rows``.
        covariance : ndarray, shape (weeks, weeks)
            Covariance of a patient's values.
        rng : numpy.random.Generator
            Where chance comes from.

        Returns
        -------
        ndarray, shape (patients, weeks)
            All values, the gaps at ``places`` filled.
        """
        places, seen = self.places, self.seen
        away = np.where(self.known, self.here - expected, 0.0)
        both = seen[:, :, None] & seen[:, None, :]
        towards = np.where(seen[:, :, None], covariance[:, places], 0.0)
        gain = np.linalg.solve(np.where(both, covariance, np.eye(len(covariance))), towards)
        left = covariance[np.ix_(places, places)] - towards.transpose(0, 2, 1) @ gain
        gap = ~seen[:, places]
        values, vectors = np.linalg.eigh(np.where(gap[:, :, None] & gap[:, None, :], left, 0.0))
        root = (vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]).transpose(0, 2, 1)
        noise = rng.standard_normal((len(self.rows), len(places)))
        drawn = expected[:, places]
        for number, one in enumerate(self.slices):
            drawn[one] += away[one] @ gain[number] + noise[one] @ root[number]
        filled = self.values.copy()
        filled[np.ix_(self.rows, places)] = np.where(self.known[:, places], self.here[:, places], drawn)
        return filled
