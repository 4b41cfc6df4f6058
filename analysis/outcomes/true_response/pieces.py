"""A distribution of two true values as many narrow normal pieces, and what each patient's visits say of each piece."""

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analysis.outcomes.true_response.true_pair import Evidence, TruePair

Floats = NDArray[np.float64]

#: How often the error of a single measurement has each of three variances, whose mean is 1.
OFTEN = (0.55, 0.35, 0.10)
#: Step between the pieces in standard deviations, for the true change and the other true value.
_STEPS = (0.25, 0.6)
#: Beyond the core, in standard deviations, the steps grow by a factor; beyond the furthest there is no piece.
_CORE, _GROWTH, _FURTHEST = 3.0, 1.35, 12.0
#: Standard deviation of a piece as a part of the way between its neighbours' borders.
_WIDTH = 0.5
#: Patients at a time: so many that what is computed of them stays close to the processor.
_AT_ONCE = 64


@dataclass(frozen=True, eq=False)
class Pieces:
    """Normal pieces on a grid of the true change (k of them) and the other true value (l), both standardised.

    Attributes
    ----------
    centre, width : ndarray, shape (k * l, 2)
        Means and standard deviations, the true change varying slowest.
    borders : tuple of ndarray, shapes (k - 1,) and (l - 1,)
        Where one piece ends and the next begins, along each of the two.
    """

    centre: Floats
    width: Floats
    borders: tuple[Floats, Floats]


def grid(centres: tuple[Floats, Floats], borders: tuple[Floats, Floats]) -> Pieces:
    """Make pieces of centres along each of the two values, and the borders between them.

    The centres, shapes (k,) and (l,), increase; the borders have shapes (k - 1,) and (l - 1,). There are k times l pieces.

    Examples
    --------
    >>> made = grid((np.array([-1.0, 0.0, 1.0]), np.array([0.0, 2.0])), (np.array([-0.5, 0.5]), np.array([1.0])))
    >>> made.centre[1].tolist(), made.width[1].tolist()
    ([-1.0, 2.0], [0.5, 1.0])
    """
    width = []
    for centre, border in zip(centres, borders, strict=True):
        inner = np.diff(border)
        ends = 2 * np.array([border[0] - centre[0], centre[-1] - border[-1]])
        width.append(_WIDTH * np.concatenate([ends[:1], inner, ends[1:]]))
    return Pieces(np.array(list(product(*centres))), np.array(list(product(*width))), borders)


def lay_out(pair: TruePair, some: NDArray[np.int64]) -> Pieces:
    """Lay pieces out as far as some of the patients reach, denser within three standard deviations."""
    reach = np.full(2, _CORE + 1)
    for seen, rows in _patterns_of(pair, some):
        found = pair.evidence(seen, some[rows], {})
        at = np.linalg.solve(found.weight + 0.05 * np.eye(2), found.given.T)
        reach = np.maximum(reach, np.abs(at).max(axis=1))
    first, second = (_axis(step, far) for step, far in zip(_STEPS, np.minimum(reach, _FURTHEST), strict=True))
    return grid((first, second), (_between(first), _between(second)))


def _axis(step: float, far: float) -> Floats:
    """Give centres on both sides of 0."""
    centres = [0.0]
    while centres[-1] < far:
        step *= 1.0 if centres[-1] < _CORE else _GROWTH
        centres.append(centres[-1] + step)
    return np.array([-one for one in centres[:0:-1]] + centres)


def _between(values: Floats) -> Floats:
    return (values[1:] + values[:-1]) / 2


def _patterns_of(pair: TruePair, some: NDArray[np.int64]) -> list[tuple[NDArray[np.bool_], NDArray[np.int64]]]:
    """Give the patterns of visits, and the places in ``some`` of the patients who have them."""
    place = np.full(len(pair.residual), -1)
    place[some] = np.arange(len(some))
    found = ((seen, place[rows]) for seen, rows in pair.patterns)
    return [(seen, rows[rows >= 0]) for seen, rows in found if (rows >= 0).any()]


def likelihood_in(
    pair: TruePair,
    pieces: Pieces,
    some: NDArray[np.int64],
    variances: tuple[float, ...],
    *,
    threshold: float | None = None,
) -> tuple[Floats, Floats, Floats]:
    """Give the likelihood of each patient's visits in each piece, its scale, and how much of it lies beyond the threshold.

    Parameters
    ----------
    pair, pieces
        What the visits say, and the pieces.
    some : ndarray of int, shape (n,)
        The patients.
    variances : tuple of float
        Variances that the error of a measurement at the weeks that decide has in ``OFTEN`` of the cases, as parts of the
        stated variance; empty for the normal distribution.
    threshold : float, optional
        What the first value must reach, in the unit of the measure.

    Returns
    -------
    tuple of ndarray
        Likelihoods, shape (n, pieces), the largest of each patient 1; its logarithm, shape (n,); the likelihoods times
        the chance beyond the threshold, of the first shape, or empty without a threshold.
    """
    likelihood, scale = np.empty((len(some), len(pieces.centre))), np.empty(len(some))
    beyond = np.zeros_like(likelihood if threshold is not None else likelihood[:0])
    for seen, rows in _patterns_of(pair, some):
        shaky = [place for place in pair.places if seen[place]] if variances else []
        kinds = list(product(zip(variances, OFTEN, strict=False), repeat=len(shaky)))
        inflated = [{place: one[0] for place, one in zip(shaky, kind, strict=True)} for kind in kinds]
        often = [float(np.log([often for _, often in kind]).sum()) for kind in kinds]
        for part in np.array_split(rows, -(-len(rows) // _AT_ONCE)):
            found = [pair.evidence(seen, some[part], one) for one in inflated]
            logs = np.array([_logs_in(one, pieces) + log for one, log in zip(found, often, strict=True)])
            top = logs.max(axis=(0, 2))
            here = np.exp(logs - top[:, None])
            total = here.sum(axis=0)
            largest = total.max(axis=1)
            likelihood[part], scale[part] = total / largest[:, None], top + np.log(largest)
            if threshold is not None:
                limit = (threshold - pair.centre[some[part]]) / pair.spread
                chance = sum(ndtr(_reach(one, pieces, limit)) * its for one, its in zip(found, here, strict=True))
                beyond[part] = chance / largest[:, None]
    return likelihood, scale, beyond


def _logs_in(found: Evidence, pieces: Pieces) -> Floats:
    """Give the log likelihood in each piece, shape (n, pieces): a square function of what the visits say."""
    a, b, d, determinant, pull = _joined(found.weight, pieces)
    one, other = d * pull[:, 0] - b * pull[:, 1], a * pull[:, 1] - b * pull[:, 0]
    fixed = pull[:, 0] * one + pull[:, 1] * other - determinant * (pull * pieces.centre).sum(axis=1)
    by = np.array([d, np.full(len(a), -2 * b), a, 2 * one, 2 * other, fixed]) / determinant
    by[-1] += -2 * np.log(pieces.width).sum(axis=1) - np.log(determinant)
    x, y = found.given.T
    logs: Floats = np.column_stack([x * x, x * y, y * y, x, y, np.ones(len(x))]) @ (by / 2)
    logs += found.constant[:, None]
    return logs


def _reach(found: Evidence, pieces: Pieces, limit: Floats) -> Floats:
    """Give how far the first true value lies beyond a limit in each piece, in its standard deviations there."""
    a, b, d, determinant, pull = _joined(found.weight, pieces)
    by = np.array([d, np.full(len(a), -b), d * pull[:, 0] - b * pull[:, 1], -determinant]) / np.sqrt(d * determinant)
    return np.column_stack([found.given, np.ones(len(limit)), limit]) @ by


def _joined(weight: Floats, pieces: Pieces) -> tuple[Floats, float, Floats, Floats, Floats]:
    """Add the weight of the visits to that of each piece: entries of the symmetric sum, its determinant, and the piece's pull."""
    tight = 1 / pieces.width**2
    a, b, d = weight[0, 0] + tight[:, 0], float(weight[0, 1]), weight[1, 1] + tight[:, 1]
    return a, b, d, a * d - b * b, tight * pieces.centre
