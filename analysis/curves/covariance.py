"""The covariance of one patient's visits: patient effects plus a residual structure."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.curves.residual_structures import Array, ResidualStructure, Second

_BOUNDS = {"log": (-27.0, 27.0), "atanh": (-8.0, 8.0), "identity": (-np.inf, np.inf), "log range": (-9.0, 9.0)}


@dataclass(frozen=True, eq=False)
class Covariance:
    """V = Z D Z' + R with parameters theta = (elements of D, parameters of R).

    ``theta`` is what the information and the small-sample methods work on; V is linear in the elements of D. The
    optimiser works on ``phi``: the Cholesky factor of D (which reaches a singular D without a constraint) and a link
    for each residual parameter.

    Parameters
    ----------
    Z : ndarray, shape (1 or patterns, slots, effects)
        The patient effects' functions of the week.
    correlated : bool
        Whether D is a full matrix or a diagonal one.
    residual : ResidualStructure
        R.
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
            return np.tril_indices(self.effects)
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

    def theta(self, phi: Array) -> Array:
        """Give theta at phi."""
        skip = self.n_effects_parameters
        rows, columns = self.places
        L = self._factor(phi)
        theta = np.empty(self.size)
        theta[:skip] = (L @ L.T)[rows, columns]
        for k, link in enumerate(self.residual.links, start=skip):
            theta[k] = np.exp(phi[k]) if link.startswith("log") else np.tanh(phi[k]) if link == "atanh" else phi[k]
        return theta

    def phi(self, theta: Array) -> Array:
        """Give a phi of theta, with D lifted to a positive definite matrix."""
        skip = self.n_effects_parameters
        rows, columns = self.places
        phi = np.empty(self.size)
        values, vectors = np.linalg.eigh(self.effects_matrix(theta))
        lifted = np.maximum(values, 1e-3 * max(1.0, float(values.max(initial=0.0))))
        phi[:skip] = np.linalg.cholesky(vectors * lifted @ vectors.T)[rows, columns]
        for k, link in enumerate(self.residual.links, start=skip):
            phi[k] = (
                np.log(theta[k]) if link.startswith("log") else np.arctanh(theta[k]) if link == "atanh" else theta[k]
            )
        return phi

    def bounds(self) -> tuple[Array, Array]:
        """Give the lowest and highest phi."""
        links = ("identity",) * self.n_effects_parameters + self.residual.links
        return np.array([_BOUNDS[link][0] for link in links]), np.array([_BOUNDS[link][1] for link in links])

    def jacobian(self, phi: Array) -> Array:
        """Give dtheta/dphi."""
        skip = self.n_effects_parameters
        rows, columns = self.places
        jacobian = np.zeros((self.size, self.size))
        L = self._factor(phi)
        for k, (row, column) in enumerate(zip(rows, columns, strict=True)):
            change = np.zeros_like(L)
            change[row, column] = 1.0
            jacobian[:skip, k] = (change @ L.T + L @ change.T)[rows, columns]
        for k, link in enumerate(self.residual.links, start=skip):
            jacobian[k, k] = (
                np.exp(phi[k]) if link.startswith("log") else 1.0 - np.tanh(phi[k]) ** 2 if link == "atanh" else 1.0
            )
        return jacobian

    def curvature(self, phi: Array, gradient: Array) -> Array:
        """Give sum over k of gradient_k times the second derivatives of theta_k by phi."""
        skip = self.n_effects_parameters
        rows, columns = self.places
        bend = np.zeros((self.size, self.size))
        for k in range(skip):
            for j in range(skip):
                if columns[k] == columns[j]:
                    change = np.zeros((self.effects, self.effects))
                    change[rows[k], rows[j]] += 1.0
                    change[rows[j], rows[k]] += 1.0
                    bend[k, j] = change[rows, columns] @ gradient[:skip]
        for k, link in enumerate(self.residual.links, start=skip):
            if link.startswith("log"):
                bend[k, k] = gradient[k] * np.exp(phi[k])
            elif link == "atanh":
                rho = np.tanh(phi[k])
                bend[k, k] = gradient[k] * -2.0 * rho * (1.0 - rho**2)
        return bend

    def _factor(self, phi: Array) -> Array:
        L = np.zeros((self.effects, self.effects))
        rows, columns = self.places
        L[rows, columns] = phi[: self.n_effects_parameters]
        return L
