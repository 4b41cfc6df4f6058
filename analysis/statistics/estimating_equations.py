"""Generalised estimating equations for yes or no at repeated visits, solved for all patients at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.errors import ModelError

Floats = NDArray[np.float64]

Correlation = Literal["exchangeable", "independence"]
Errors = Literal["robust", "bias_reduced", "naive"]

_MOST_STEPS = 100
#: Length of the score at which the equations are solved.
_SOLVED = 1e-10
#: A larger logit is a share of nobody or everybody: the equations then have no finite solution.
_LARGEST_LOGIT = 15.0
#: Nearer than this to the ends of what a correlation can be it is no correlation.
_EDGE = 1e-8
_INSTEAD = 'Use correlation="independence", or fewer weeks.'


@dataclass(frozen=True)
class _Equations:
    """The equations at one place: scores (patients, columns) and expected information (columns, columns).

    Slopes (visits, columns) and residuals (visits,) are in units of each visit's standard deviation. The inverse of a patient's
    working correlation has ``own`` on its diagonal, less ``shared``, shape (patients,), everywhere.
    """

    slopes: Floats
    residuals: Floats
    own: float
    shared: Floats
    scores: Floats
    information: Floats


def fit_gee(
    outcome: Any,
    design: Any,
    patients: Any,
    *,
    correlation: Correlation = "exchangeable",
    covariance: Errors = "robust",
) -> tuple[Floats, Floats, float]:
    """Fit a logistic model to clustered binary outcomes by generalised estimating equations.

    Parameters
    ----------
    outcome : array_like of 0 and 1
        One a visit.
    design : array_like, shape (visits, columns)
        Columns of the model.
    patients : array_like
        Cluster of each visit; its rows need not lie together.
    correlation : {"exchangeable", "independence"}
        Working correlation.
    covariance : {"robust", "bias_reduced", "naive"}
        Which covariance matrix.

    Returns
    -------
    tuple
        Coefficients, their covariance matrix, and the estimated working correlation (0 under independence).

    Raises
    ------
    ModelError
        The equations could not be solved, or the estimated correlation is none: equal correlations of m visits lie above
        -1 / (m - 1) and below 1.

    Notes
    -----
    Liang and Zeger, Biometrika 1986;73:13, with their moment estimator of the correlation; the scale is 1. The estimator
    itself is not bound to the correlations that there are. Bias-reduced errors: Mancl and DeRouen, Biometrics
    2001;57:126.

    Examples
    --------
    >>> outcome, ones = [0, 1, 1, 0, 1, 1], np.ones((6, 1))
    >>> estimate, _, _ = fit_gee(outcome, ones, [1, 1, 2, 2, 3, 3], correlation="independence")
    >>> float(estimate[0].round(4))
    0.6931
    """
    place = pd.factorize(pd.Series(patients).to_numpy())[0]
    order = np.argsort(place, kind="stable")
    rows, columns = np.asarray(outcome, dtype=float)[order], np.asarray(design, dtype=float)[order]
    begins = np.unique(place[order], return_index=True)[1]
    try:
        with np.errstate(divide="raise", over="raise", invalid="raise"):
            estimate, association = _solve(rows, columns, begins, correlation)
            found = _equations(rows, columns, begins, estimate, association)
            bread = np.asarray(np.linalg.inv(found.information), dtype=np.float64)
            if covariance == "naive":
                return estimate, bread, association
            scores = _reduced_scores(found, begins, bread) if covariance == "bias_reduced" else found.scores
            return estimate, bread @ (scores.T @ scores) @ bread, association
    except (ArithmeticError, np.linalg.LinAlgError) as error:
        raise ModelError(
            "The equations of the repeated responders could not be solved.",
            where=str(error),
            what_to_do=_INSTEAD,
        ) from error


def _solve(outcome: Floats, design: Floats, begins: NDArray[np.intp], correlation: Correlation) -> tuple[Floats, float]:
    """Take steps of scoring and new moment estimates of the correlation in turn until the score is nil."""
    estimate, association = np.zeros(design.shape[1]), 0.0
    most = int(_sizes(begins, len(outcome)).max())
    lowest = -1 / max(most - 1, 1)
    for step in range(_MOST_STEPS):
        # What is no correlation on the way is left out; where it stays at the end it is refused.
        usable = association if lowest + _EDGE < association < 1 - _EDGE else 0.0
        found = _equations(outcome, design, begins, estimate, usable)
        score = found.scores.sum(axis=0)
        if step and np.sqrt(score @ score) < _SOLVED:
            if usable != association:
                raise ModelError(
                    f"The working correlation of the repeated responders comes out as {association:.2f}, which is none: that "
                    f"of {most} visits of a patient lies above {lowest:.2g} and below 1.",
                    what_to_do=_INSTEAD,
                )
            return estimate, association
        estimate = estimate + np.linalg.solve(found.information, score)
        if np.abs(design @ estimate).max() > _LARGEST_LOGIT:
            raise ArithmeticError("in some group nobody or everybody responded")
        if correlation == "exchangeable" and most > 1:
            association = _association(_residuals(outcome, design, estimate)[0], design.shape[1], begins)
    raise ArithmeticError(f"not solved after {_MOST_STEPS} steps")


def _equations(
    outcome: Floats, design: Floats, begins: NDArray[np.intp], estimate: Floats, association: float
) -> _Equations:
    residuals, deviations = _residuals(outcome, design, estimate)
    slopes = design * deviations[:, None]
    own = 1 / (1 - association)
    shared = own * association / (1 + association * (_sizes(begins, len(outcome)) - 1))
    slope_sums, residual_sums = np.add.reduceat(slopes, begins), np.add.reduceat(residuals, begins)
    scores = own * np.add.reduceat(slopes * residuals[:, None], begins)
    scores -= (shared * residual_sums)[:, None] * slope_sums
    information = own * slopes.T @ slopes - slope_sums.T @ (shared[:, None] * slope_sums)
    return _Equations(slopes, residuals, own, shared, scores, information)


def _residuals(outcome: Floats, design: Floats, estimate: Floats) -> tuple[Floats, Floats]:
    """Give the residuals in units of the standard deviations, and those."""
    from scipy.special import expit

    share = expit(design @ estimate)
    deviations = np.sqrt(share * (1 - share))
    return (outcome - share) / deviations, deviations


def _association(residuals: Floats, columns: int, begins: NDArray[np.intp]) -> float:
    """Estimate the working correlation from the products of residuals of the same patient."""
    sizes = _sizes(begins, len(residuals))
    squares = residuals @ residuals
    sums = np.add.reduceat(residuals, begins)
    pairs = float((sizes * (sizes - 1)).sum()) / 2
    if pairs <= columns:
        raise ArithmeticError("there is nothing left to estimate the correlation from")
    scale = squares / (len(residuals) - columns)
    return float((sums @ sums - squares) / 2 / scale / (pairs - columns))


def _reduced_scores(found: _Equations, begins: NDArray[np.intp], bread: Floats) -> Floats:
    """Give the scores with residuals corrected for the pull that each patient has on the fit."""
    scores = []
    ends = [*begins[1:], len(found.residuals)]
    for begin, end, shared in zip(begins, ends, found.shared, strict=True):
        slopes, residuals = found.slopes[begin:end], found.residuals[begin:end]
        inverse = found.own * np.eye(end - begin) - shared
        pull = slopes @ bread @ slopes.T @ inverse
        scores.append(slopes.T @ inverse @ np.linalg.solve(np.eye(end - begin) - pull, residuals))
    return np.array(scores)


def _sizes(begins: NDArray[np.intp], visits: int) -> Floats:
    return np.diff(np.append(begins, visits)).astype(np.float64)
