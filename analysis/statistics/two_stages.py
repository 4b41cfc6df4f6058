"""Two-stage least squares with robust errors, and the interval that stays right where the instrument is weak."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.errors import ModelError

Floats = NDArray[np.float64]

#: The dose is moved where what the allocation adds to it is more than this share of its length; less is rounding.
_MOVED = 1e-10


@dataclass(frozen=True, eq=False)
class TwoStages:
    """An estimate by instruments.

    Attributes
    ----------
    params, covariance : ndarray of shape (p,), (p, p)
        Coefficients of the dose and the covariates, and their robust covariance matrix (HC1).
    df : float
        n - p.
    first_stage : ndarray of shape (k,)
        Coefficients of the instruments for the dose.
    first_stage_f : float
        Robust F statistic of the instruments; below 10 they are called weak (Staiger and Stock 1997).
    reduced_form : ndarray of shape (k,)
        Coefficients of the instruments for the outcome.
    both_covariance : ndarray of shape (2k, 2k)
        Joint robust covariance matrix of first stage and reduced form.
    """

    params: Floats
    covariance: Floats
    df: float
    first_stage: Floats
    first_stage_f: float
    reduced_form: Floats
    both_covariance: Floats


def two_stages(outcome: Floats, dose: Floats, instruments: Floats, covariates: Floats) -> TwoStages:
    """Estimate the effect of a dose by instruments.

    Parameters
    ----------
    outcome, dose : ndarray of shape (n,)
        Outcome and dose.
    instruments : ndarray of shape (n, k)
        What moves the dose and touches the outcome in no other way.
    covariates : ndarray of shape (n, q)
        Covariates with the intercept.

    Returns
    -------
    TwoStages
        The estimate.

    Raises
    ------
    ModelError
        The instruments do not move the dose at all, or columns say the same.

    Notes
    -----
    Two-stage least squares, errors robust to unequal spread with n / (n - p) (Wooldridge, Econometric Analysis of Cross
    Section and Panel Data, 2010, chapter 5). With one instrument of two groups and no covariate it is Wald's ratio: the
    difference of means of the outcome by that of the dose.

    Examples
    --------
    >>> group = np.array([0.0, 0, 0, 1, 1, 1])
    >>> dose, outcome = np.array([0.0, 0, 0, 2, 4, 3]), np.array([1.0, 2, 3, 4, 5, 9])
    >>> two_stages(outcome, dose, group[:, None], np.ones((6, 1))).params[0].round(3)
    np.float64(1.333)
    """
    whole, design = np.column_stack([instruments, covariates]), np.column_stack([dose, covariates])
    k, (n, p) = instruments.shape[1], design.shape
    if np.linalg.matrix_rank(whole) < whole.shape[1] or n <= whole.shape[1] + 1:
        raise ModelError(
            "The allocation and the covariates say the same thing twice, or there are too few patients.",
            where=f"{n} patients, {whole.shape[1]} columns",
            what_to_do="Leave covariates out.",
        )
    inverse = np.linalg.inv(whole.T @ whole)
    first, reduced = inverse @ whole.T @ dose, inverse @ whole.T @ outcome
    fitted = design.copy()
    fitted[:, 0] = whole @ first
    moved_by = fitted[:, 0] - covariates @ np.linalg.lstsq(covariates, fitted[:, 0])[0]
    if not float(np.linalg.norm(moved_by)) > _MOVED * float(np.linalg.norm(dose)):
        raise ModelError(
            "The allocation does not move the dose at all, so there is no effect to be found by it.",
            what_to_do="Choose a dose that one protocol has and the other has not, or has less of.",
        )
    bread = np.linalg.inv(fitted.T @ fitted)
    params = bread @ fitted.T @ outcome
    score = fitted * (outcome - design @ params)[:, None]
    covariance = bread @ score.T @ score @ bread * n / (n - p)
    moved = [
        inverse[:k] @ (whole * (values - whole @ fit)[:, None]).T for values, fit in ((dose, first), (outcome, reduced))
    ]
    influence = np.vstack(moved)
    both = influence @ influence.T * n / (n - whole.shape[1])
    with np.errstate(divide="ignore"):
        strength = float(first[:k] @ np.linalg.pinv(both[:k, :k]) @ first[:k] / k)
    return TwoStages(params, covariance, float(n - p), first[:k], strength, reduced[:k], both)


def anderson_rubin(found: TwoStages, critical: float) -> tuple[float, float, str]:
    """Give the effects that the data do not speak against, whatever the strength of one instrument.

    Parameters
    ----------
    found : TwoStages
        An estimate by one instrument.
    critical : float
        Quantile of the t distribution, for example 1.98.

    Returns
    -------
    tuple of (float, float, str)
        The limits, infinite where the set is open, and "interval", "two ends" (everything outside the limits) or
        "everything".

    Notes
    -----
    Anderson and Rubin, Ann Math Stat 1949;20:46: the effect b for which reduced form - b x first stage could be 0; with
    one instrument the set of Fieller, J R Stat Soc B 1954;16:175, with a robust covariance matrix.

    Examples
    --------
    >>> one = np.eye(1)
    >>> found = TwoStages(np.ones(1), one, 9.0, np.array([4.0]), 16.0, np.array([4.0]), np.eye(2))
    >>> [round(limit, 3) for limit in anderson_rubin(found, 2.0)[:2]]
    [0.451, 2.215]
    """
    d, y = float(found.first_stage[0]), float(found.reduced_form[0])
    vd, vy, both = (float(found.both_covariance[i, j]) for i, j in ((0, 0), (1, 1), (0, 1)))
    squared = critical**2
    a, b, c = d**2 - squared * vd, -2 * (d * y - squared * both), y**2 - squared * vy
    inside = b**2 - 4 * a * c
    if a > 0:
        root = np.sqrt(max(inside, 0.0))
        return float((-b - root) / (2 * a)), float((-b + root) / (2 * a)), "interval"
    if inside <= 0 or a == 0:
        return -np.inf, np.inf, "everything"
    root = np.sqrt(inside)
    low, high = sorted((float((-b - root) / (2 * a)), float((-b + root) / (2 * a))))
    return low, high, "two ends"
