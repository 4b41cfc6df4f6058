"""The chance of each group given covariates, by multinomial logistic regression, with each patient's part in it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import ModelError

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]

_MOST_STEPS = 50
#: Length of the last step, in the units of standardised columns, at which the coefficients are found.
_FOUND = 1e-9
#: A larger logit is a chance of nobody or everybody: the model then has no finite solution.
_LARGEST_LOGIT = 30.0
#: A chance above this is certain, where patients are counted for whom it is.
_SURE = 0.999
#: A likelihood lower by less than this share of it is lower by rounding.
_ROUNDING = 1e-12


@dataclass(frozen=True, eq=False)
class GroupScores:
    """A fitted model of who was in which group.

    Parameters
    ----------
    design : ndarray, shape (patients, columns)
        Columns of the model, the constant first; the others have mean 0 and standard deviation 1.
    codes : ndarray of int, shape (patients,)
        The group of each patient, from 0.
    coefficients : ndarray, shape (columns, groups - 1)
        Of the groups from the second on, against the first.
    chances : ndarray, shape (patients, groups)
        The score of each group.
    back : ndarray, shape (columns, columns)
        Takes coefficients to the units of the columns that were given.
    """

    design: Floats
    codes: Codes
    coefficients: Floats
    chances: Floats
    back: Floats

    @property
    def groups(self) -> int:
        """The number of groups."""
        return self.chances.shape[1]

    @cached_property
    def surprises(self) -> Floats:
        """Being in a group less its chance, shape (patients, groups - 1), from the second group on."""
        return np.asarray(np.eye(self.groups)[self.codes][:, 1:] - self.chances[:, 1:])

    @cached_property
    def spreads(self) -> Floats:
        """The covariance of being in each group, shape (patients, groups - 1, groups - 1)."""
        chances = self.chances[:, 1:]
        return np.asarray(np.eye(self.groups - 1) * chances[:, None, :] - chances[:, :, None] * chances[:, None, :])

    @cached_property
    def inverse(self) -> Floats:
        """The covariance of the coefficients, those of a column together, in the units of ``design``."""
        return np.asarray(np.linalg.inv(_information(self.design, self.spreads)), dtype=np.float64)

    @cached_property
    def parts(self) -> Floats:
        """Each patient's part in the score equations, shape (patients, columns * (groups - 1))."""
        return np.asarray(self.design[:, :, None] * self.surprises[:, None, :]).reshape(len(self.design), -1)

    @cached_property
    def rows(self) -> Floats:
        """Rows of the model of each patient, shape (patients, groups - 1, columns * (groups - 1))."""
        each = self.design[:, None, :, None] * np.eye(self.groups - 1)[None, :, None, :]
        return np.asarray(each).reshape(len(self.design), self.groups - 1, -1)

    def in_given_units(self) -> tuple[Floats, Floats]:
        """Give coefficients and standard errors, each (columns, groups - 1), in the units of the columns given."""
        wide = np.kron(self.back, np.eye(self.groups - 1))
        errors = np.sqrt(np.diag(wide @ self.inverse @ wide.T))
        return self.back @ self.coefficients, errors.reshape(self.coefficients.shape)


def fit_group_scores(columns: ArrayLike, codes: ArrayLike, groups: int) -> GroupScores:
    """Fit the chance of each group by maximum likelihood.

    Parameters
    ----------
    columns : array_like, shape (patients, columns)
        Covariates without the constant; none of them constant or explained by the others.
    codes : array_like of int
        The group of each patient, 0 to ``groups`` - 1.
    groups : int
        The number of groups.

    Returns
    -------
    GroupScores

    Raises
    ------
    ModelError
        The covariates tell a group for certain, so the likelihood has no maximum, or none was found.

    Notes
    -----
    Newton's method on standardised columns. The coefficients are those of statsmodels (a test compares them); written
    out, since what follows needs every patient's part in score and information.

    Examples
    --------
    >>> fit = fit_group_scores([[0.0], [0.0], [0.0], [1.0], [1.0], [1.0]], [0, 1, 1, 0, 0, 1], 2)
    >>> fit.chances[[0, 3], 1].round(4).tolist()
    [0.6667, 0.3333]
    """
    given, group = np.atleast_2d(np.asarray(columns, dtype=np.float64)), np.asarray(codes, dtype=np.intp)
    middle, spread = given.mean(axis=0), given.std(axis=0)
    design = np.column_stack([np.ones(len(given)), (given - middle) / spread])
    coefficients = np.zeros((design.shape[1], groups - 1))
    fitted = GroupScores(design, group, coefficients, group_chances(design @ coefficients), np.eye(design.shape[1]))
    for _ in range(_MOST_STEPS):
        try:
            step = np.linalg.solve(_information(design, fitted.spreads), fitted.parts.sum(axis=0))
        except np.linalg.LinAlgError as error:
            raise _no_maximum(fitted) from error
        step = step.reshape(fitted.coefficients.shape)
        if np.abs(step).max() < _FOUND:
            back = np.diag(np.concatenate([[1.0], 1 / spread]))
            back[0, 1:] = -middle / spread
            return replace(fitted, back=back)
        fitted = _uphill(fitted, step)
        if np.abs(design @ fitted.coefficients).max() > _LARGEST_LOGIT:
            raise _no_maximum(fitted)
    raise _no_maximum(fitted)


def _uphill(fitted: GroupScores, step: Floats) -> GroupScores:
    """Take the step, or half of it and so on, until the likelihood is no lower."""
    own = np.arange(len(fitted.codes)), fitted.codes
    before = np.log(fitted.chances[own]).sum()
    while True:
        coefficients = fitted.coefficients + step
        chances = group_chances(fitted.design @ coefficients)
        with np.errstate(divide="ignore"):
            after = np.log(chances[own]).sum()
        if after >= before - _ROUNDING * abs(before) or np.abs(step).max() < _FOUND:
            return replace(fitted, coefficients=coefficients, chances=chances)
        step = step / 2


def group_chances(logits: Floats) -> Floats:
    """Give the chance of each group, last axis, from the logits of those from the second on.

    Examples
    --------
    >>> group_chances(np.array([[0.0, 0.0]])).round(4).tolist()
    [[0.3333, 0.3333, 0.3333]]
    """
    whole = np.concatenate([np.zeros((*logits.shape[:-1], 1)), logits], axis=-1)
    raised = np.exp(whole - whole.max(axis=-1, keepdims=True))
    return np.asarray(raised / raised.sum(axis=-1, keepdims=True))


def _information(design: Floats, spreads: Floats) -> Floats:
    """Sum each patient's information; those of a column lie together."""
    columns, others = design.shape[1], spreads.shape[1]
    whole = np.empty((columns, others, columns, others))
    for one in range(others):
        for two in range(one, others):
            block = (design * spreads[:, one, two, None]).T @ design
            whole[:, one, :, two] = block
            whole[:, two, :, one] = block
    return whole.reshape(columns * others, columns * others)


def _no_maximum(fitted: GroupScores) -> ModelError:
    own = fitted.chances[np.arange(len(fitted.codes)), fitted.codes]
    sure = int((own > _SURE).sum())
    return ModelError(
        "The covariates tell for some patients for certain which protocol they had, so the chances cannot be estimated.",
        where=f"{sure} of {len(own)} patients, {fitted.design.shape[1] - 1} columns of covariates",
        what_to_do="Name fewer covariates, merge labels, or leave out patients whom only one protocol was open to.",
    )
