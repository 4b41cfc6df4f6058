"""A smooth distribution of two true values: each a standard normal value bent by a rising curve, as flexible as pays."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analysis.curves.formula.week_functions import natural_spline_basis
from analysis.outcomes.true_response.pieces import Pieces, grid, lay_out, likelihood_in
from analysis.outcomes.true_response.true_pair import TruePair

Floats = NDArray[np.float64]

#: Normal values at which a curve is known; its knots lie evenly between the limits.
_VALUES, _KNOTS = np.linspace(-6.0, 6.0, 601), 2.5
#: Numbers of knots that are tried for the true change and for the other true value; none leaves a normal distribution.
_TRIED = (3, 4, 6)
#: Patients from whom on a shape other than the normal one is tried.
_FEWEST = 20
#: A coefficient of a curve is taken as normal with this precision about 0, so that it stays finite.
_PRECISION = 0.25
#: Steps between pieces along the normal value, for the true change and the other true value; how far they go.
_STEPS, _FAR = (0.2, 0.6), 4.2
#: Furthest that pieces within so many standard deviations lie apart, in standard deviations of the two true values.
_APART, _CORE = (0.3, 0.8), 3.0
#: Iterations at most; gain in log likelihood below which they end.
_ITERATIONS, _GAIN = 200, 1e-6
#: Information of a direction, as a part of the largest, below which the patients tell nothing of it.
_TOLD_OF = 1e-10
#: A step that is damped more than this gains little wherever it is, which is no sign of the end.
_DAMPED = 1e-3


class _Curve:
    """A rising curve T(w) with log T'(w) a natural spline, so that T of a standard normal w has a smooth density."""

    def __init__(self, knots: int) -> None:
        columns = [np.ones((len(_VALUES), 1))]
        if knots:
            columns.append(natural_spline_basis(_VALUES, np.linspace(-_KNOTS, _KNOTS, knots)))
        weight = np.exp(-(_VALUES**2) / 4)[:, None]  # root of the normal density: columns become orthonormal under it
        basis = np.linalg.qr(np.hstack(columns) * weight)[0] / weight
        self.basis: Floats = basis / basis[0, 0]
        #: Coefficients: place of the middle, and those of log T'.
        self.size = 1 + basis.shape[1]
        #: Those that a standard normal distribution does not have.
        self.bent = np.arange(self.size) > 1

    def values(self, coefficients: Floats) -> tuple[Floats, Floats, Floats]:
        """T and T' at the normal values, and the derivatives of T by the coefficients."""
        slope: Floats = np.exp(np.clip(self.basis @ coefficients[1:], -12.0, 6.0))
        sums = _integral(np.column_stack([slope, slope[:, None] * self.basis]))
        return coefficients[0] + sums[:, 0], slope, np.column_stack([np.ones(len(_VALUES)), sums[:, 1:]])

    def shares(self, coefficients: Floats, borders: Floats) -> tuple[Floats, Floats]:
        """Share of the distribution between one border and the next, and its derivatives by the coefficients."""
        height, slope, by = self.values(coefficients)
        at = np.interp(borders, height, _VALUES)
        inside = (borders > height[0]) & (borders < height[-1])
        before = np.clip(np.searchsorted(_VALUES, at) - 1, 0, len(_VALUES) - 2)
        steep = (slope[before] + slope[before + 1]) / 2  # of the straight line between two of the values
        lean = np.column_stack([np.interp(at, _VALUES, one) for one in by.T]) / steep[:, None]
        below = np.concatenate([[0.0], ndtr(at), [1.0]])
        density = inside * np.exp(-(at**2) / 2) / np.sqrt(2 * np.pi)
        change = np.pad(-density[:, None] * lean, ((1, 1), (0, 0)))
        return np.diff(below) + 1e-12, np.diff(change, axis=0)


def _integral(values: Floats) -> Floats:
    """Integrals from the middle, by trapezes."""
    steps = (values[1:] + values[:-1]) / 2 * (_VALUES[1] - _VALUES[0])
    sums = np.vstack([np.zeros(values.shape[1]), np.cumsum(steps, axis=0)])
    return sums - sums[len(_VALUES) // 2]


@dataclass(frozen=True, eq=False)
class SmoothShape:
    """Pieces laid out along the fitted curves, and what the patients say of their shares.

    Attributes
    ----------
    pieces : Pieces
        Dense where the distribution is.
    knots : tuple of int
        Of the curve of each true value; 0 is a normal distribution.
    log_likelihood : float
        At the fitted shares.
    influence : ndarray, shape (n, coefficients)
        What each patient moves the coefficients by, if counted once more.
    """

    pieces: Pieces
    knots: tuple[int, int]
    log_likelihood: float
    influence: Floats
    _curves: tuple[_Curve, _Curve]
    _coefficients: Floats

    def shares(self, weight: Floats | None = None) -> Floats:
        """Give the shares of the pieces.

        Parameters
        ----------
        weight : ndarray, shape (n,), optional
            Weights of the patients with mean 1, to one step of Newton's method; by default all are 1.

        Returns
        -------
        ndarray, shape (pieces,)
            With a sum of 1.
        """
        moved = self._coefficients if weight is None else self._coefficients + (weight - 1) @ self.influence
        (first, _), (second, _) = _both(self._curves, moved, self.pieces)
        together: Floats = np.outer(first, second).ravel()
        return together / together.sum()


def smooth_shape(pair: TruePair, some: NDArray[np.int64], variances: tuple[float, ...]) -> SmoothShape:
    """Estimate a smooth distribution of the two true values.

    Parameters
    ----------
    pair : TruePair
        What the visits say of the two true values of each patient.
    some : ndarray of int, shape (n,)
        The patients.
    variances : tuple of float
        Of the error of measurement, as in :func:`analysis.outcomes.true_response.pieces.likelihood_in`.

    Returns
    -------
    SmoothShape
        Pieces and shares.

    Notes
    -----
    Each true value is T(w) of a standard normal w, independent of the other; the logarithm of the slope of T is a natural
    cubic spline, so that heavy tails, a skew, a sharp end or two kinds of patients are a few coefficients. They are
    estimated by maximum likelihood (with a weak normal prior), by the method of Berndt, Hall, Hall and Hausman (Ann Econ
    Soc Meas 1974;3:653, from memory). The number of knots is that with the lowest criterion of Akaike (IEEE Trans Autom
    Control 1974;19:716, from memory): first of the true change, then of the other. Maximum likelihood of a smooth family
    instead of one of all distributions is Efron's proposal (Biometrika 2016;103:1, from memory), for a density where ours
    bends the values.

    Examples
    --------
    >>> from analysis.outcomes.true_response.true_pair import TruePair
    >>> from analysis.outcomes.missing.weekly_model import fit_weekly
    >>> from synthetic_cohort import generate_cohort
    >>> model = fit_weekly(generate_cohort(patients=120, seed=1).observed, "ikdc")
    >>> contrast, error = np.zeros(len(model.weeks)), np.full(len(model.weeks), 25.0)
    >>> contrast[[0, -1]] = -1, 1
    >>> found = smooth_shape(TruePair(model, contrast, model.covariance - np.diag(error), error), np.arange(120), ())
    >>> found.knots, found.influence.shape
    ((0, 0), (120, 4))
    """
    pieces = lay_out(pair, some)
    likelihood, _, _ = likelihood_in(pair, pieces, some, variances)
    knots = [0, 0]
    best = _fit(likelihood, pieces, knots, None)
    for place, number in product((0, 1), _TRIED if len(some) >= _FEWEST else ()):
        wanted = [*knots[:place], number, *knots[place + 1 :]]
        found = _fit(likelihood, pieces, wanted, None)
        if found.criterion < best.criterion:
            best, knots = found, wanted
    along = _along(best.curves, best.coefficients)
    likelihood, scale, _ = likelihood_in(pair, along, some, variances)
    last = _fit(likelihood, along, knots, best.coefficients)
    # a direction that no patient tells of, as where all are at the best value, is moved by none
    influence = np.asarray(last.scores @ np.linalg.pinv(last.information, rcond=_TOLD_OF, hermitian=True))
    total = last.log_likelihood + float(scale.sum())
    return SmoothShape(along, (knots[0], knots[1]), total, influence, last.curves, last.coefficients)


def _along(curves: tuple[_Curve, _Curve], coefficients: Floats) -> Pieces:
    """Lay pieces out along the normal values, so that they are dense where the distribution is and nowhere far apart."""
    centres, borders = [], []
    far = np.searchsorted(_VALUES, [-_FAR, _FAR])
    for curve, own, step, apart in zip(curves, np.split(coefficients, [curves[0].size]), _STEPS, _APART, strict=True):
        height, slope, _ = curve.values(own)
        crowd = np.maximum(1 / step, np.where(np.abs(height) < _CORE, slope / apart, 0.0))
        count = _integral(crowd[:, None])[:, 0]
        low, high = np.round(count[far])
        centres.append(np.interp(np.arange(low, high + 1), count, height))
        borders.append(np.interp(np.arange(low, high) + 0.5, count, height))
    return grid((centres[0], centres[1]), (borders[0], borders[1]))


def _both(curves: tuple[_Curve, _Curve], coefficients: Floats, pieces: Pieces) -> list[tuple[Floats, Floats]]:
    """Shares along each of the two values, and their derivatives."""
    own = np.split(coefficients, [curves[0].size])
    return [curve.shares(one, border) for curve, one, border in zip(curves, own, pieces.borders, strict=True)]


@dataclass(frozen=True, eq=False)
class _Fit:
    curves: tuple[_Curve, _Curve]
    coefficients: Floats
    log_likelihood: float
    scores: Floats
    information: Floats

    @property
    def criterion(self) -> float:
        return 2 * len(self.coefficients) - 2 * self.log_likelihood


def _fit(likelihood: Floats, pieces: Pieces, knots: Sequence[int], start: Floats | None) -> _Fit:
    """Maximise the likelihood over the coefficients of both curves."""
    curves = (_Curve(knots[0]), _Curve(knots[1]))
    precision = _PRECISION * np.concatenate([curve.bent for curve in curves])

    def value(coefficients: Floats) -> tuple[float, Floats, list[tuple[Floats, Floats]]]:
        both = _both(curves, coefficients, pieces)
        density = likelihood @ np.outer(both[0][0], both[1][0]).ravel()
        return float(np.log(density).sum() - precision @ coefficients**2 / 2), density, both

    at = np.zeros(len(precision)) if start is None else start
    now, density, both = value(at)
    damping = 1e-3
    for _ in range(_ITERATIONS):
        scores = likelihood @ _derivatives(both) / density[:, None]
        information = scores.T @ scores + np.diag(precision)
        gradient = scores.sum(axis=0) - precision * at
        gained = 0.0
        while damping < 1e6:
            step = np.linalg.solve(information + damping * np.diag(1e-9 + np.diag(information)), gradient)
            step *= min(1.0, 1.5 / float(np.abs(step).max(initial=1e-12)))
            reached = value(at + step)
            if reached[0] >= now:
                gained = reached[0] - now
                at, (now, density, both) = at + step, reached
                damping /= 4
                break
            damping = max(5 * damping, 1e-2)
        if gained < _GAIN and (damping <= _DAMPED or not gained):
            break
    return _Fit(curves, at, float(np.log(density).sum()), scores, information)


def _derivatives(both: list[tuple[Floats, Floats]]) -> Floats:
    """Of the shares of all pieces by the coefficients of both curves."""
    (first, by_first), (second, by_second) = both
    size = len(first) * len(second)
    return np.hstack(
        [
            (by_first[:, None, :] * second[None, :, None]).reshape(size, -1),
            (first[:, None, None] * by_second[None, :, :]).reshape(size, -1),
        ]
    )
