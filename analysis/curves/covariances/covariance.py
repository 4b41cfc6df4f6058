"""The covariance of one patient's visits: patient effects plus a residual structure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

from analysis.curves.covariances.residual_base import Array, ResidualStructure, Second


@dataclass(frozen=True, eq=False)
class Covariance:
    """V = Z D Z' + R with parameters theta = (elements of D, parameters of R).

    ``theta`` is what the information and the small-sample methods work on; V is linear in the elements of D. The
    optimiser works on ``phi``: the Cholesky factor of D (which reaches a singular D without a constraint) and a link
    for each residual parameter. Z, the patient effects' functions of the week, has shape (1 or patterns, slots, effects); D
    is a full matrix where effects are ``correlated``, or a diagonal one; the residual structure is R.
    """

    Z: Array
    correlated: bool
    residual: ResidualStructure

    @property
    def effects(self) -> int:
        """The number of effects of a patient."""
        return int(self.Z.shape[2])

    @cached_property
    def places(self) -> tuple[np.ndarray, np.ndarray]:
        """Row and column in D of each of its parameters."""
        if self.correlated:
            return lower_places(self.effects)
        return np.arange(self.effects), np.arange(self.effects)

    @property
    def n_effects_parameters(self) -> int:
        """The number of parameters of D."""
        return len(self.places[0])

    @property
    def size(self) -> int:
        """The number of parameters."""
        return self.n_effects_parameters + len(self.residual.names)

    def effects_matrix(self, theta: Array) -> Array:
        """Give D."""
        D = np.zeros((self.effects, self.effects))
        rows, columns = self.places
        D[rows, columns] = theta[: self.n_effects_parameters]
        D[columns, rows] = theta[: self.n_effects_parameters]
        return D

    def matrix(self, theta: Array) -> Array:
        """Give V, shape (1 or patterns, slots, slots)."""
        V = self.residual.matrix(theta[self.n_effects_parameters :])
        if self.effects:
            V = V + self.Z @ self.effects_matrix(theta) @ self.Z.transpose(0, 2, 1)
        return V

    def first(self, theta: Array) -> Array:
        """Give dV/dtheta, shape (parameters, 1 or patterns, slots, slots)."""
        residual = self.residual.first(theta[self.n_effects_parameters :])
        if not self.effects:
            return residual
        parts = []
        for row, column in zip(*self.places, strict=True):
            one = self.Z[:, :, row, None] * self.Z[:, None, :, column]
            parts.append(one if row == column else one + one.transpose(0, 2, 1))
        shape = (residual.shape[0], max(self.Z.shape[0], residual.shape[1]), *residual.shape[2:])
        effects = np.stack(parts)
        effects = np.broadcast_to(effects, (effects.shape[0], *shape[1:]))
        return np.concatenate([effects, np.broadcast_to(residual, shape)])

    def second(self, theta: Array) -> Second:
        """Give the second derivatives of V that are not zero, as (k, l, matrix) with k <= l."""
        skip = self.n_effects_parameters
        return [(k + skip, j + skip, matrix) for k, j, matrix in self.residual.second(theta[skip:])]

    # What the optimiser works on

    @cached_property
    def links(self) -> tuple[str, ...]:
        """How each theta follows from phi: "cholesky" in a block, else one by one."""
        own = "cholesky" if self.correlated else "square"
        return (own,) * self.n_effects_parameters + self.residual.links

    @cached_property
    def blocks(self) -> list[tuple[int, int]]:
        """First parameter and order of each matrix that phi holds as its Cholesky factor."""
        found = [(0, self.effects)] if self.correlated and self.effects else []
        if "cholesky" in self.residual.links:
            count = len(self.residual.links)
            found.append((self.n_effects_parameters, int(np.sqrt(2 * count))))
        return found

    def theta(self, phi: Array) -> Array:
        """Give theta at phi."""
        theta = np.array([_LINKS[link].value(x) for link, x in zip(self.links, phi, strict=True)])
        for first, order in self.blocks:
            rows, columns = lower_places(order)
            L = lower_triangle(phi, first, order)
            theta[first : first + rows.size] = (L @ L.T)[rows, columns]
        return theta

    def phi(self, theta: Array) -> Array:
        """Give a phi of theta, with singular matrices and zero variances lifted a little into the inside."""
        phi = np.array([_LINKS[link].inverse(x) for link, x in zip(self.links, theta, strict=True)])
        for first, order in self.blocks:
            rows, columns = lower_places(order)
            values, vectors = np.linalg.eigh(symmetric(theta, first, order))
            lifted = np.maximum(values, _LIFT * max(1.0, float(values.max())))
            phi[first : first + rows.size] = np.linalg.cholesky(vectors * lifted @ vectors.T)[rows, columns]
        return phi

    def bounds(self) -> tuple[Array, Array]:
        """Give the lowest and highest phi."""
        return (
            np.array([_LINKS[link].lowest for link in self.links]),
            np.array([_LINKS[link].highest for link in self.links]),
        )

    def jacobian(self, phi: Array) -> Array:
        """Give dtheta/dphi."""
        jacobian = np.diag([_LINKS[link].slope(x) for link, x in zip(self.links, phi, strict=True)])
        for first, order in self.blocks:
            rows, columns = lower_places(order)
            L = lower_triangle(phi, first, order)
            for k, (row, column) in enumerate(zip(rows, columns, strict=True)):
                change = np.zeros_like(L)
                change[row] = L[:, column]
                change[:, row] += L[:, column]
                jacobian[first : first + rows.size, first + k] = change[rows, columns]
        return jacobian

    def curvature(self, phi: Array, gradient: Array) -> Array:
        """Give sum over k of gradient_k times the second derivatives of theta_k by phi."""
        bends = [_LINKS[link].bend(x) for link, x in zip(self.links, phi, strict=True)]
        bend = np.diag(gradient * np.array(bends))
        for first, order in self.blocks:
            rows, columns = lower_places(order)
            weights = np.zeros((order, order))
            weights[rows, columns] = gradient[first : first + rows.size]
            same_column = np.equal.outer(columns, columns)
            inner = (weights + weights.T)[np.ix_(rows, rows)]
            bend[first : first + rows.size, first : first + rows.size] = np.where(same_column, inner, 0.0)
        return bend


_LIFT = 1e-3
"""Least variance, of the largest or of the residual's, from which a start can move: at zero no slope leads away."""


@dataclass(frozen=True)
class _Link:
    """A parameter theta as a function of phi, with its derivatives and the range of phi."""

    value: Callable[[float], float]
    inverse: Callable[[float], float]
    slope: Callable[[float], float]
    bend: Callable[[float], float]
    lowest: float = -np.inf
    highest: float = np.inf


_LOG = _Link(np.exp, np.log, np.exp, np.exp, -27.0, 27.0)
_LINKS = {
    "identity": _Link(lambda x: x, lambda t: t, lambda _: 1.0, lambda _: 0.0),
    "cholesky": _Link(lambda x: x, lambda t: t, lambda _: 1.0, lambda _: 0.0),
    "square": _Link(lambda x: x * x, lambda t: float(np.sqrt(max(t, _LIFT))), lambda x: 2.0 * x, lambda _: 2.0),
    "log": _LOG,
    "log range": replace(_LOG, lowest=-9.0, highest=9.0),
    "atanh": _Link(
        np.tanh, np.arctanh, lambda x: 1.0 - np.tanh(x) ** 2, lambda x: -2.0 * np.tanh(x) / np.cosh(x) ** 2, -8.0, 8.0
    ),
}


@cache
def lower_places(order: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Row and column of each element of a lower triangle; asked for at every step of the optimiser, made once."""
    return np.tril_indices(order)


def lower_triangle(values: Array, first: int, order: int) -> Array:
    """Put parameters into a lower-triangular matrix."""
    L = np.zeros((order, order))
    rows, columns = lower_places(order)
    L[rows, columns] = values[first : first + rows.size]
    return L


def symmetric(values: Array, first: int, order: int) -> Array:
    """Put parameters into a symmetric matrix."""
    lower = lower_triangle(values, first, order)
    return lower + np.tril(lower, -1).T
