"""The (restricted) likelihood, its gradient and its information, from sums by visit pattern."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from analysis.curves.covariances.covariance import Covariance
from analysis.curves.covariances.residual_base import Array
from analysis.curves.engine.working_basis import WorkingBasis

Method = Literal["reml", "ml"]

_REGULAR = 1e-6
"""A Cholesky factor of V with a diagonal smaller than this (of the largest deviation, at most 1) has too few digits left."""
_NO_DIGITS = 1e-8
"""A residual sum of squares below zero by more than this share of the outcome's: V is so far from regular that none is right."""
_LARGEST_SQUARE = 20
"""Up to this many slots, sums over pairs of parameters go through the m^2 x m^2 sum over patterns."""
_AT_ONCE = 1_000_000
"""Numbers of products of columns that are held at once (8 MB)."""


@dataclass(frozen=True, eq=False)
class Likelihood:
    """The restricted or full likelihood of one model, as a function of the covariance parameters."""

    basis: WorkingBasis
    covariance: Covariance
    method: Method

    def at(self, theta: Array) -> Evaluation | None:
        """Evaluate at theta; None where V is not positive definite."""
        basis = self.basis
        V = self.covariance.matrix(theta)
        if not np.isfinite(V).all():
            return None
        both = basis.seen[:, :, None] & basis.seen[:, None, :]
        V = np.where(both, V, np.eye(V.shape[1]))
        try:
            L = np.linalg.cholesky(V)
        except np.linalg.LinAlgError:
            return None
        diagonal = np.einsum("saa->sa", L)
        if diagonal.min() < _REGULAR * np.sqrt(min(np.einsum("saa->sa", V).max(), 1.0)):
            return None
        log_determinant = 2.0 * float(basis.counts @ np.log(diagonal).sum(axis=1))
        N = np.linalg.inv(V)
        N = 0.5 * (N + N.transpose(0, 2, 1)) * both
        return self._evaluate(theta, N, log_determinant)

    def _evaluate(self, theta: Array, N: Array, log_determinant: float) -> Evaluation | None:
        basis = self.basis
        H = N @ basis.F
        Ft = basis.F.transpose(0, 2, 1)
        A = basis.B.T @ ((Ft @ H) * basis.U_ee).sum(axis=0) @ basis.B
        xy = basis.B.T @ np.einsum("sae,sea->e", H, basis.U_ey)
        yy = float((N * basis.U_yy).sum())
        try:
            root = np.linalg.cholesky(A)
            A_inverse = np.linalg.inv(A)
        except np.linalg.LinAlgError:  # either may find that A is singular where it is so but for rounding
            return None
        A_inverse = 0.5 * (A_inverse + A_inverse.T)
        b = A_inverse @ xy
        b = b + A_inverse @ (xy - A @ b)
        quadratic = yy - float(b @ xy)
        if quadratic < -_NO_DIGITS * abs(yy):
            return None
        p = basis.B.shape[1]
        degrees = basis.n_rows - (p if self.method == "reml" else 0)
        log_information = 2.0 * float(np.log(np.diag(root)).sum())
        criterion = log_determinant + quadratic + degrees * np.log(2.0 * np.pi * basis.scale**2)
        if self.method == "reml":
            criterion += log_information + 2.0 * basis.log_scale
        return Evaluation(self, theta, criterion, b, A_inverse, N, H)


@dataclass(frozen=True, eq=False)
class Evaluation:
    """The likelihood at one theta.

    With N the inverse of V (zero outside the visits of a pattern), every derivative is a product of the derivatives
    of V with the same few m x m sums of a pattern: n N, N (sum r r') N and N (sum X A^-1 X') N, r being the residual.

    Parameters
    ----------
    likelihood : Likelihood
        The model.
    theta : ndarray
        Where.
    criterion : float
        Minus twice the (restricted) log-likelihood, constants included.
    b : ndarray, shape (columns,)
        Generalised least-squares coefficients of the working columns.
    A_inverse : ndarray, shape (columns, columns)
        Their covariance.
    N, H : ndarray
        Inverse of V by pattern, and N F.
    """

    likelihood: Likelihood
    theta: Array
    criterion: float
    b: Array
    A_inverse: Array
    N: Array
    H: Array

    @cached_property
    def slopes(self) -> Array:
        """The derivatives of V by theta, shape (parameters, 1 or patterns, slots, slots)."""
        return self.likelihood.covariance.first(self.theta)

    @cached_property
    def residual_sum(self) -> Array:
        """N (sum r r') N by pattern."""
        basis = self.likelihood.basis
        beta = basis.B @ self.b
        Ft = basis.F.transpose(0, 2, 1)
        cross = basis.F @ (beta[:, None] * basis.U_ey)
        square = basis.F @ (np.outer(beta, beta) * basis.U_ee) @ Ft
        return self.N @ (basis.U_yy - cross - cross.transpose(0, 2, 1) + square) @ self.N

    @cached_property
    def leverage_sum(self) -> Array:
        """N (sum X A^-1 X') N by pattern; zero for the full likelihood."""
        basis = self.likelihood.basis
        if self.likelihood.method == "ml":
            return np.zeros_like(self.N)
        return self.H @ ((basis.B @ self.A_inverse @ basis.B.T) * basis.U_ee) @ self.H.transpose(0, 2, 1)

    @cached_property
    def score(self) -> Array:
        """The derivative of the criterion by the elements of V, by pattern."""
        basis = self.likelihood.basis
        return basis.counts[:, None, None] * self.N - self.residual_sum - self.leverage_sum

    @cached_property
    def gradient(self) -> Array:
        """The derivative of the criterion by theta."""
        return self._dot(self.slopes, self.score)

    @cached_property
    def P(self) -> Array:
        """Sum X'N dV_k N X, shape (parameters, columns, columns)."""
        basis, slopes = self.likelihood.basis, self.slopes
        elements = basis.B.shape[0]
        if slopes.shape[1] == 1 and len(slopes) > 8:
            m = self.N.shape[1]
            spread = np.empty((elements, m, m * elements))
            at_once = max(1, _AT_ONCE // self.H.size // elements)
            for e in range(0, elements, at_once):
                some = slice(e, e + at_once)
                weighted = self.H[:, None] * basis.U_ee[:, some, None, :]
                weighted = weighted.transpose(1, 0, 2, 3).reshape(weighted.shape[1], len(self.N), -1)
                np.matmul(self.H.transpose(2, 1, 0)[some], weighted, out=spread[some])
            spread = spread.reshape(elements, m, m, elements).transpose(1, 2, 0, 3).reshape(m * m, -1)
            sums = (slopes[:, 0].reshape(len(slopes), -1) @ spread).reshape(len(slopes), elements, elements)
        else:
            Ht = self.H.transpose(0, 2, 1)
            sums = np.stack([((Ht @ (slope @ self.H)) * basis.U_ee).sum(axis=0) for slope in slopes])
        return basis.B.T @ sums @ basis.B

    @cached_property
    def _fixed_trace(self) -> Array:
        """Tr(A^-1 P_k A^-1 P_l)."""
        if self.likelihood.method == "ml":
            return np.zeros((len(self.theta), len(self.theta)))
        AP = (self.A_inverse @ self.P).reshape(len(self.theta), -1)
        PA = (self.P @ self.A_inverse).reshape(len(self.theta), -1)
        return PA @ AP.T  # <P_k A^-1, A^-1 P_l> since both are symmetric apart

    @cached_property
    def _residual_products(self) -> Array:
        """Sum X'N dV_k N r, shape (parameters, columns)."""
        basis = self.likelihood.basis
        beta = basis.B @ self.b
        cross = basis.U_ey - (basis.U_ee * beta) @ basis.F.transpose(0, 2, 1)
        right = cross @ self.N
        if self.slopes.shape[1] == 1:
            spread = np.matmul(self.H.transpose(2, 1, 0), right.transpose(1, 0, 2))
            sums = np.tensordot(self.slopes[:, 0], spread, axes=([1, 2], [1, 2]))
        else:
            sums = np.einsum("sae,ksac,sec->ke", self.H, self.slopes, right, optimize=True)
        return sums @ basis.B

    def _pairs(self, X: Array) -> Array:
        """Sum over patterns of tr(dV_k N dV_l X), for symmetric X."""
        K, m = len(self.theta), self.N.shape[1]
        if self.slopes.shape[1] == 1 and m <= _LARGEST_SQUARE:
            square = self.N.reshape(len(self.N), -1).T @ X.reshape(len(X), -1)
            square = square.reshape(m, m, m, m).transpose(0, 3, 1, 2).reshape(m * m, m * m)
            flat = self.slopes[:, 0].reshape(K, -1)
            return flat @ square @ flat.T
        pairs = np.empty((K, K))
        for k in range(K):
            pairs[k] = self._dot(self.slopes, self.N @ self.slopes[k] @ X)
        return 0.5 * (pairs + pairs.T)

    @staticmethod
    def _dot(slopes: Array, weights: Array) -> Array:
        if slopes.shape[1] == 1:
            return slopes.reshape(len(slopes), -1) @ weights.sum(axis=0).ravel()
        return slopes.reshape(len(slopes), -1) @ weights.ravel()

    @cached_property
    def expected(self) -> Array:
        """The expected information of theta."""
        weight = self.likelihood.basis.counts[:, None, None] * self.N - 2.0 * self.leverage_sum
        return 0.5 * (self._pairs(weight) + self._fixed_trace)

    @cached_property
    def observed(self) -> Array:
        """The observed information of theta: half the second derivative of the criterion."""
        z = self._residual_products
        weight = self.residual_sum + self.leverage_sum - 0.5 * self.likelihood.basis.counts[:, None, None] * self.N
        observed = self._pairs(weight) - z @ self.A_inverse @ z.T - 0.5 * self._fixed_trace
        bends = self.likelihood.covariance.second(self.theta)
        total = self.score.sum(axis=0)
        for k, j, bend in bends:
            extra = 0.5 * float(np.vdot(bend, self.score) if bend.shape[0] > 1 else np.vdot(bend[0], total))
            observed[k, j] += extra
            if k != j:
                observed[j, k] += extra
        return observed
