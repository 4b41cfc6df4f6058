"""Thresholds of change from an anchor: the numbers of every method for many weighted samples at once."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

Floats = NDArray[np.float64]

#: Newton steps of the logistic regression; separated samples never settle and are given up as missing.
MOST_STEPS = 40
_SETTLED = 1e-10
#: A slope that puts the whole range of change this many log odds apart is a separated sample.
_SEPARATED = 60.0


@dataclass(frozen=True)
class AnchorCounts:
    """Counts of improved and other patients at each distinct improvement, for one or many samples.

    Attributes
    ----------
    improvement : ndarray, shape (m,)
        Distinct improvements in rising order.
    improved, others : ndarray, shape (samples, m)
        Patients at each, by the anchor.
    """

    improvement: Floats
    improved: Floats
    others: Floats

    @property
    def share(self) -> Floats:
        """Share improved by the anchor, one a sample."""
        yes, no = self.improved.sum(axis=1), self.others.sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            share: Floats = yes / (yes + no)
        return share


def area_under_curve(counts: AnchorCounts) -> Floats:
    """Give the probability that an improved patient changed more than another one (ties count half).

    Examples
    --------
    >>> counts = AnchorCounts(np.array([0.0, 5.0]), np.array([[0.0, 4.0]]), np.array([[4.0, 0.0]]))
    >>> area_under_curve(counts).tolist()
    [1.0]
    """
    below = np.cumsum(counts.others, axis=1) - counts.others
    total = counts.improved.sum(axis=1) * counts.others.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        area: Floats = (counts.improved * (below + counts.others / 2)).sum(axis=1) / total
    return area


def curve_cuts(counts: AnchorCounts) -> tuple[Floats, Floats]:
    """Give the cuts of the receiver operating characteristic by Youden's index and by the closest corner.

    Cuts lie half way between neighbouring improvements; where several are equally good, their mean is taken.

    Returns
    -------
    tuple of ndarray
        Youden's cut and the one closest to the corner, one a sample.

    Examples
    --------
    >>> counts = AnchorCounts(np.array([0.0, 5.0]), np.array([[0.0, 4.0]]), np.array([[4.0, 0.0]]))
    >>> [cut.tolist() for cut in curve_cuts(counts)]
    [[2.5], [2.5]]
    """
    if len(counts.improvement) < 2:
        nothing = np.full(len(counts.improved), np.nan)
        return nothing, nothing
    with np.errstate(invalid="ignore", divide="ignore"):
        missed = np.cumsum(counts.improved, axis=1)[:, :-1] / counts.improved.sum(axis=1, keepdims=True)
        cleared = np.cumsum(counts.others, axis=1)[:, :-1] / counts.others.sum(axis=1, keepdims=True)
    middle = (counts.improvement[1:] + counts.improvement[:-1]) / 2
    return _best(missed - cleared, middle), _best(missed**2 + (1 - cleared) ** 2, middle)


def predictive_fit(counts: AnchorCounts, start: tuple[Floats, Floats] | None = None) -> tuple[Floats, Floats]:
    """Fit the logistic regression of the anchor on improvement, one a sample.

    Parameters
    ----------
    counts : AnchorCounts
        The samples.
    start : tuple of ndarray, optional
        Intercept and slope to start from (one number each), where the samples are drawn from fitted data.

    Returns
    -------
    tuple of ndarray
        Intercept and slope; missing where a sample is separated or has one class only.

    Examples
    --------
    >>> counts = AnchorCounts(np.array([0.0, 1.0]), np.array([[1.0, 3.0]]), np.array([[3.0, 1.0]]))
    >>> [float(part[0].round(6)) for part in predictive_fit(counts)]
    [-1.098612, 2.197225]
    """
    middle, spread = counts.improvement.mean(), counts.improvement.std() or 1.0
    x = (counts.improvement - middle) / spread
    yes, total = counts.improved, counts.improved + counts.others
    with np.errstate(divide="ignore", invalid="ignore"):
        intercept = logit(counts.share)
    slope = np.zeros(len(yes))
    if start is not None and np.isfinite(start[1][0]):
        intercept[np.isfinite(intercept)] = start[0][0] + start[1][0] * middle
        slope[:] = start[1][0] * spread
    active = np.isfinite(intercept)
    for _ in range(MOST_STEPS):
        if not active.any():
            break
        step_a, step_b = _newton(x, yes[active], total[active], intercept[active], slope[active])
        intercept[active] += step_a
        slope[active] += step_b
        steps = np.zeros(len(yes))
        steps[active] = np.maximum(np.abs(step_a), np.abs(step_b))
        lost = active & ~(np.abs(slope) * np.ptp(x) < _SEPARATED)
        intercept[lost] = slope[lost] = np.nan
        active &= ~lost & (steps > _SETTLED)
    intercept[active] = slope[active] = np.nan
    one_class = ~((counts.share > 0) & (counts.share < 1))
    intercept[one_class] = slope[one_class] = np.nan
    return intercept - slope * middle / spread, slope / spread


def predictive_threshold(intercept: Floats, slope: Floats, share: Floats) -> Floats:
    """Give the improvement at which the odds of being improved equal those before anything was known.

    Notes
    -----
    Terluin et al., J Clin Epidemiol 2015;68:1388: (log odds of the share improved - intercept) / slope.

    Examples
    --------
    >>> predictive_threshold(np.array([-2.0]), np.array([0.2]), np.array([0.5])).tolist()
    [10.0]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return (logit(share) - intercept) / slope


def adjusted_threshold(predictive: Floats, share: Floats, spread: Floats, correlation: Floats) -> Floats:
    """Correct the predictive threshold for a share improved other than half.

    Notes
    -----
    Terluin et al., J Clin Epidemiol 2017;83:90: predictive - (0.090 + 0.103 r) x SD of change x log odds of the share;
    r is the point-biserial correlation of change and anchor.

    Examples
    --------
    >>> one = np.ones(1)
    >>> adjusted_threshold(10 * one, 0.5 * one, 12 * one, 0.5 * one).tolist()
    [10.0]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return predictive - (0.090 + 0.103 * correlation) * spread * logit(share)


def improved_adjusted_threshold(
    predictive: Floats, share: Floats, spread: Floats, correlation: Floats, reliability: float
) -> Floats:
    """Correct the predictive threshold for the share improved and the reliability of the anchor.

    Notes
    -----
    Terluin et al., 2022: predictive - (0.8 / reliability - 0.5) x SD of change x r x log odds of the share.

    Examples
    --------
    >>> one = np.ones(1)
    >>> improved_adjusted_threshold(10 * one, 0.5 * one, 12 * one, 0.5 * one, 0.7).tolist()
    [10.0]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return predictive - (0.8 / reliability - 0.5) * spread * correlation * logit(share)


def spread_and_correlation(counts: AnchorCounts) -> tuple[Floats, Floats]:
    """Give the SD of improvement and its point-biserial correlation with the anchor, one a sample.

    Examples
    --------
    >>> counts = AnchorCounts(np.array([0.0, 2.0]), np.array([[0.0, 2.0]]), np.array([[2.0, 0.0]]))
    >>> [float(part[0].round(3)) for part in spread_and_correlation(counts)]
    [1.155, 1.0]
    """
    total = counts.improved + counts.others
    n = total.sum(axis=1)
    mean = total @ counts.improvement / n
    variance = total @ counts.improvement**2 / n - mean**2
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.sqrt(np.maximum(variance, 0.0) * n / (n - 1))
        yes, no = counts.improved.sum(axis=1), counts.others.sum(axis=1)
        gap = counts.improved @ counts.improvement / yes - counts.others @ counts.improvement / no
        correlation = gap * np.sqrt(yes * no) / n / np.sqrt(np.maximum(variance, 0.0))
    return spread, correlation


def _newton(x: Floats, yes: Floats, total: Floats, intercept: Floats, slope: Floats) -> tuple[Floats, Floats]:
    chance = expit(intercept[:, None] + slope[:, None] * x)
    residual = yes - total * chance
    weight = total * chance * (1 - chance)
    h00, h01, h11 = weight.sum(axis=1), weight @ x, weight @ x**2
    g0, g1 = residual.sum(axis=1), residual @ x
    determinant = np.maximum(h00 * h11 - h01**2, np.finfo(float).tiny)
    step_a, step_b = (h11 * g0 - h01 * g1) / determinant, (h00 * g1 - h01 * g0) / determinant
    shorten = np.minimum(1.0, 4.0 / np.maximum(np.maximum(np.abs(step_a), np.abs(step_b)), 1e-300))
    return step_a * shorten, step_b * shorten


def _best(loss: Floats, cuts: Floats) -> Floats:
    """Mean of the cuts with the least loss, one a row; missing where the row is."""
    known = np.isfinite(loss).all(axis=1)
    answer = np.full(len(loss), np.nan)
    if known.any():
        best = loss[known] <= loss[known].min(axis=1, keepdims=True) + 1e-12
        answer[known] = best @ cuts / best.sum(axis=1)
    return answer
