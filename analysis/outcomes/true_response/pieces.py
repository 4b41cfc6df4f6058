"""A distribution of two true values as many narrow normal pieces, and what each patient's visits say of each piece."""

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analysis.outcomes.true_response.true_pair import TruePair

Floats = NDArray[np.float64]

#: How often the error of a single measurement has each of three variances, whose mean is 1.
OFTEN = (0.55, 0.35, 0.10)
#: Step between the pieces in standard deviations, for the true change and the other true value.
_STEPS = (0.25, 0.6)
#: Beyond the core, in standard deviations, the steps grow by a factor; beyond the furthest there is no piece.
_CORE, _GROWTH, _FURTHEST = 3.0, 1.35, 12.0
#: Standard deviation of a piece as a part of the way between its neighbours' borders.
_WIDTH = 0.5


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
) -> tuple[Floats, Floats]:
    """Give the log likelihood of each patient's visits in each piece, and the chance beyond the threshold there.

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
        Log likelihoods, shape (n, pieces); chances, of that shape, or empty without a threshold.
    """
    logs = np.empty((len(some), len(pieces.centre)))
    beyond = np.zeros_like(logs if threshold is not None else logs[:0])
    for seen, rows in _patterns_of(pair, some):
        shaky = [place for place in pair.places if seen[place]] if variances else []
        total: Floats = np.full((len(rows), len(pieces.centre)), -np.inf)
        chance = np.zeros_like(total)
        for classes in product(zip(variances, OFTEN, strict=False), repeat=len(shaky)):
            found = pair.evidence(seen, some[rows], {place: one[0] for place, one in zip(shaky, classes, strict=True)})
            here, mean, spread = _in_pieces(found.weight, found.given, pieces, first=threshold is not None)
            here += found.constant[:, None] + float(np.log([often for _, often in classes]).sum())
            both = np.logaddexp(total, here)
            if threshold is not None:
                limit = (threshold - pair.centre[some[rows]]) / pair.spread
                chance = chance * np.exp(total - both) + ndtr((mean - limit[:, None]) / spread) * np.exp(here - both)
            total = both
        logs[rows] = total
        if threshold is not None:
            beyond[rows] = chance
    return logs, beyond


def _in_pieces(weight: Floats, given: Floats, pieces: Pieces, *, first: bool) -> tuple[Floats, Floats, Floats]:
    """Give the log likelihood in each piece, and there the mean and spread of the first true value where asked for."""
    tight = 1 / pieces.width**2
    a, b, d = weight[0, 0] + tight[:, 0], weight[0, 1], weight[1, 1] + tight[:, 1]
    determinant = a * d - b * b
    pull = tight * pieces.centre
    one, other = given[:, :1] + pull[:, 0], given[:, 1:] + pull[:, 1]
    square = (d * one**2 - 2 * b * one * other + a * other**2) / determinant
    fixed = np.log(tight).sum(axis=1) - np.log(determinant) - (pull * pieces.centre).sum(axis=1)
    mean = (d * one - b * other) / determinant if first else np.empty(0)
    return (square + fixed) / 2, mean, np.sqrt(d / determinant)


def scaled(logs: Floats) -> Floats:
    """Give likelihoods, shape (n, pieces), whose largest is 1 for each patient, from log likelihoods of that shape.

    Examples
    --------
    >>> scaled(np.log([[1.0, 4.0]])).round(6).tolist()
    [[0.25, 1.0]]
    """
    likelihood: Floats = np.exp(logs - logs.max(axis=1, keepdims=True))
    return likelihood
