"""Small-sample inference: Satterthwaite and Kenward-Roger, for one contrast and for several together."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from analysis.curves.likelihood import Evaluation
from analysis.curves.residual_base import Array

Inference = Literal["kenward-roger", "kenward-roger-linear", "satterthwaite", "normal", "robust"]
Information = Literal["observed", "expected"]


@dataclass(frozen=True, eq=False)
class SmallSample:
    """Standard errors and degrees of freedom of contrasts of the working coefficients.

    With Phi the covariance of the coefficients, W that of theta (inverse information), P_k = X'N dV_k N X:

    - Satterthwaite: df = 2 (l'Phi l)^2 / g'Wg with g_k = l'Phi P_k Phi l; several rows together as the package
      lmerTest does
      (Kuznetsova, Brockhoff & Christensen 2017, J Stat Softw 82(13)): by the eigenvectors of L Phi L'.
    - Kenward-Roger (1997, Biometrics 53(3)): Phi_A = Phi + 2 Phi (sum W_kl (Q_kl - P_k Phi P_l - R_kl / 4)) Phi, and
      an F statistic
      scaled to match two moments, as the package pbkrtest does (Halekoh & Hojsgaard 2014, J Stat Softw 59(9)). The
      sum over pairs of parameters is taken inside the weight matrix of one X' M X.

    Parameters
    ----------
    evaluation : Evaluation
        The likelihood at the optimum.
    active : ndarray of int
        The parameters that count; those at a bound are held.
    inference : str
        The method.
    information : "observed" or "expected"
        Which information gives W.
    covariance : ndarray, optional
        A covariance of the coefficients that replaces the model's ("robust"), with its df.
    """

    evaluation: Evaluation
    active: np.ndarray
    inference: Inference
    information: Information
    sandwich: tuple[Array, float] | None = None

    @cached_property
    def theta_covariance(self) -> Array:
        """W, the covariance of the active covariance parameters."""
        full = self.evaluation.observed if self.information == "observed" else self.evaluation.expected
        information = full[np.ix_(self.active, self.active)]
        if not information.size:
            return information
        size = np.sqrt(np.maximum(np.abs(np.diag(information)), 1e-300))
        scaled = information / np.outer(size, size)
        values, vectors = np.linalg.eigh(scaled)
        if values.min() <= 1e-12:
            return np.full_like(information, np.nan)
        W: Array = (vectors / values) @ vectors.T / np.outer(size, size)
        return W

    @property
    def model_covariance(self) -> Array:
        """Phi."""
        return self.evaluation.A_inverse

    @cached_property
    def covariance(self) -> Array:
        """The covariance that standard errors are taken from."""
        if self.inference == "robust" and self.sandwich is not None:
            return self.sandwich[0]
        if self.inference in {"kenward-roger", "kenward-roger-linear"}:
            return self._kenward_roger()
        return self.model_covariance

    @cached_property
    def _P(self) -> Array:
        return self.evaluation.P[self.active]

    def _kenward_roger(self) -> Array:
        here, W, Phi = self.evaluation, self.theta_covariance, self.model_covariance
        basis = here.likelihood.basis
        slopes = here.slopes[self.active]
        K, m = len(self.active), here.N.shape[1]
        if slopes.shape[1] == 1 and K**2 * m**4 <= 64 * 10**6:
            left = np.tensordot(W, slopes[:, 0], axes=(1, 0))
            pairs = np.tensordot(slopes[:, 0], left, axes=(0, 0))  # [a, b, c, d] = sum W_kl V_k[a, b] V_l[c, d]
            weights = here.N.reshape(-1, m * m) @ pairs.transpose(1, 2, 0, 3).reshape(m * m, m * m)
            weights = weights.reshape(-1, m, m)
        else:
            weights = np.zeros_like(here.N)
            for k in range(K):
                weights = weights + slopes[k] @ here.N @ np.tensordot(W[k], slopes, axes=1)
        if self.inference == "kenward-roger":
            place = {int(number): k for k, number in enumerate(self.active)}
            for k, j, bend in here.likelihood.covariance.second(here.theta):
                if k in place and j in place:
                    weights = weights - (0.25 if k == j else 0.5) * W[place[k], place[j]] * bend
        Q = ((here.H.transpose(0, 2, 1) @ (weights @ here.H)) * basis.U_ee).sum(axis=0)
        Q = basis.B.T @ Q @ basis.B
        WP = np.tensordot(W, self._P, axes=1)
        PP = np.einsum("kij,kjl->il", self._P @ Phi, WP, optimize=True)
        Lambda = Q - PP
        adjusted = Phi + Phi @ (Lambda + Lambda.T) @ Phi
        return 0.5 * (adjusted + adjusted.T)

    def degrees(self, rows: Array) -> Array:
        """Give the degrees of freedom of each row l of a matrix of contrasts."""
        if self.inference == "normal" or (not len(self.active) and self.inference != "robust"):
            return np.full(len(rows), np.inf)
        if self.inference == "robust" and self.sandwich is not None:
            return np.full(len(rows), self.sandwich[1])
        left = rows @ self.model_covariance
        variance = np.einsum("ij,ij->i", left, rows)
        slopes = np.einsum("ij,kjl,il->ik", left, self._P, left, optimize=True)
        spread = np.einsum("ik,kl,il->i", slopes, self.theta_covariance, slopes, optimize=True)
        with np.errstate(divide="ignore", invalid="ignore"):
            df: Array = 2.0 * variance**2 / spread
        return np.where(df > 1e8, np.inf, df)

    def joint(self, rows: Array, values: Array) -> tuple[float, int, float]:
        """Test several contrasts together.

        Parameters
        ----------
        rows : ndarray, shape (contrasts, columns)
            The contrasts.
        values : ndarray, shape (contrasts,)
            Their estimates, in working units.

        Returns
        -------
        tuple of float, int, float
            F, its numerator and its denominator degrees of freedom.
        """
        middle = rows @ self.model_covariance @ rows.T
        eigenvalues, vectors = np.linalg.eigh(middle)
        real = eigenvalues > 1e-10 * eigenvalues.max()
        rows, values = vectors.T[real] @ rows, vectors.T[real] @ values
        q = int(real.sum())
        if self.inference in {"kenward-roger", "kenward-roger-linear"} and len(self.active):
            return self._kenward_roger_test(rows, values, q)
        F = float(values @ np.linalg.solve(rows @ self.covariance @ rows.T, values)) / q
        if self.inference != "satterthwaite" or not len(self.active):
            return F, q, float(self.degrees(rows[:1])[0])
        df = self.degrees(rows)
        if q == 1 or float(np.ptp(df)) < 1e-8:
            return F, q, float(df.mean())
        if (df <= 2.0).any():
            return F, q, 2.0
        expectation = float((df / (df - 2.0)).sum()) if np.isfinite(df).all() else float(q)
        return F, q, 2.0 * expectation / (expectation - q) if expectation > q else np.inf

    def _kenward_roger_test(self, rows: Array, values: Array, q: int) -> tuple[float, int, float]:
        Phi, W = self.model_covariance, self.theta_covariance
        Theta = rows.T @ np.linalg.solve(rows @ Phi @ rows.T, rows)
        G = Theta @ Phi @ self._P @ Phi
        traces = np.einsum("kii->k", G)
        A1 = float(traces @ W @ traces)
        A2 = float((W * np.einsum("kij,lji->kl", G, G, optimize=True)).sum())
        B = (A1 + 6.0 * A2) / (2.0 * q)
        g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
        below = 3.0 * q + 2.0 * (1.0 - g)
        c1, c2, c3 = g / below, (q - g) / below, (q + 2.0 - g) / below
        top = 1.0 + c1 * B
        rho = ((1.0 - A2 / q) / (1.0 - c2 * B)) ** 2 * top / (1.0 - c3 * B) / q
        df = 4.0 + (q + 2.0) / (q * rho - 1.0)
        scale = 1.0 if abs(df - 2.0) < 1e-2 else df * (1.0 - A2 / q) / (df - 2.0)
        F = float(values @ np.linalg.solve(rows @ self.covariance @ rows.T, values)) / q
        return scale * F, q, df
