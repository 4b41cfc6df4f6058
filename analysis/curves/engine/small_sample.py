"""Small-sample inference: Satterthwaite and Kenward-Roger, for one contrast and for several together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np

from analysis.curves.covariances.residual_base import Array
from analysis.curves.engine.likelihood import Evaluation

Inference = Literal["kenward-roger", "kenward-roger-linear", "satterthwaite", "normal", "robust"]
Information = Literal["observed", "expected"]
_KENWARD_ROGER = {"kenward-roger", "kenward-roger-linear"}

_CORRECTIONS = (0.5, 100.0)
"""A correction that makes a variance smaller or larger than this many times itself is not taken (design choice)."""

_EXACT = 1e-9
"""A1 this close to q A2, of their size, is an exact F test: the difference is rounding."""
_SINGULAR = 1e-12
"""Smallest eigenvalue of the information, scaled to a diagonal of one, that is more than rounding."""
_DEPENDENT = 1e-10
"""A combination of contrasts whose variance is this share of the largest says nothing of its own."""
_SAME_DF = 1e-8
"""Degrees of freedom this close are the same: their mean is taken, and no F distribution is matched to them."""
_INFINITE_DF = 1e8
"""From so many degrees of freedom t is the normal distribution to the last digit shown; more are the noise of a division."""
_NOT_ZERO = 1e-300
"""Least information to divide by: a parameter without any is found singular."""
_MOST_PRODUCTS = 64 * 10**6
"""So many numbers (half a gigabyte) are held at once to take all pairs of parameters together; above, one by one."""
_NO_SCATTER = 1e-12
"""Smallest eigenvalue of the sandwich, against the model's covariance and of the largest, that is more than rounding."""


@dataclass(frozen=True, eq=False)
class SmallSample:
    """Standard errors and degrees of freedom of contrasts of the working coefficients.

    With Phi the covariance of the coefficients, W that of theta (inverse information), P_k = X'N dV_k N X:

    - Satterthwaite: df = 2 (l'Phi l)^2 / g'Wg with g_k = l'Phi P_k Phi l; several rows together as the package
      lmerTest does
      (Kuznetsova, Brockhoff & Christensen 2017, J Stat Softw 82(13)): by the eigenvectors of L Phi L'.
    - Kenward-Roger (1997, Biometrics 53(3)): Phi_A = Phi + 2 Phi (sum W_kl (Q_kl - P_k Phi P_l - R_kl / 4)) Phi, and
      an F statistic
      scaled to match two moments, as the package pbkrtest does (Halekoh & Hojsgaard 2014, J Stat Softw 59(9)); one
      contrast by its t squared on Satterthwaite's df, which is the same. The sum over pairs of parameters is taken
      inside the weight matrix of one X' M X.

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
    sandwich : tuple of ndarray and float, or None
        For ``"robust"``: the covariance of the coefficients that replaces the model's, and its df.
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
        size = np.sqrt(np.maximum(np.abs(np.diag(information)), _NOT_ZERO))
        scaled = information / np.outer(size, size)
        values, vectors = np.linalg.eigh(scaled)
        if values.min() <= _SINGULAR:
            return np.full_like(information, np.nan)
        W: Array = (vectors / values) @ vectors.T / np.outer(size, size)
        return W

    @cached_property
    def trouble(self) -> str:
        """Say why no interval can be given; empty where all can."""
        if self.sandwich is not None:
            return self._robust_trouble(self.sandwich[0])
        if not len(self.active) or self.inference == "normal":
            return ""
        if np.isnan(self.theta_covariance).any():
            return "the information about the covariance parameters is singular at the estimate"
        if self.inference in _KENWARD_ROGER and np.isnan(self.covariance).any():
            return "Kenward-Roger's correction would raise a standard error more than tenfold or cut it by a third"
        return ""

    def _robust_trouble(self, sandwich: Array) -> str:
        if np.isnan(sandwich).any():
            return "robust standard errors are not defined where one patient alone tells a coefficient (the only one of a site)"
        root = np.linalg.inv(np.linalg.cholesky(self.model_covariance))
        values = np.linalg.eigvalsh(root @ sandwich @ root.T)
        if values[0] <= _NO_SCATTER * values[-1]:
            return "the patients scatter in fewer directions than there are coefficients (values all equal, or few patients)"
        return ""

    @property
    def model_covariance(self) -> Array:
        """Phi."""
        return self.evaluation.A_inverse

    @cached_property
    def covariance(self) -> Array:
        """The covariance that standard errors are taken from; missing where the small-sample correction fails."""
        if self.inference == "robust" and self.sandwich is not None:
            return np.full_like(self.sandwich[0], np.nan) if self.trouble else self.sandwich[0]
        if self.inference not in _KENWARD_ROGER:
            return self.model_covariance
        adjusted = self._kenward_roger()
        root = np.linalg.inv(np.linalg.cholesky(self.model_covariance))
        ratio = root @ adjusted @ root.T
        if np.isfinite(ratio).all():
            values = np.linalg.eigvalsh(ratio)
            if values[0] > _CORRECTIONS[0] and values[-1] < _CORRECTIONS[1]:
                return adjusted
        return np.full_like(adjusted, np.nan)

    @cached_property
    def _P(self) -> Array:
        return self.evaluation.P[self.active]

    def _kenward_roger(self) -> Array:
        here, W, Phi = self.evaluation, self.theta_covariance, self.model_covariance
        basis = here.likelihood.basis
        slopes = here.slopes[self.active]
        K, m = len(self.active), here.N.shape[1]
        if slopes.shape[1] == 1 and K**2 * m**4 <= _MOST_PRODUCTS:
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
        return np.where(df > _INFINITE_DF, np.inf, df)

    def joint(self, rows: Array, values: Array) -> tuple[float, int, float, str]:
        """Test several contrasts, shape (contrasts, columns), together; the values are their estimates in working units.

        Given are F, its numerator and its denominator degrees of freedom, and the method: the inference asked for, or what took
        its place where no F distribution has the moments that it asks for.
        """
        middle = rows @ self.model_covariance @ rows.T
        eigenvalues, vectors = np.linalg.eigh(middle)
        real = eigenvalues > _DEPENDENT * eigenvalues.max()
        rows, values = vectors.T[real] @ rows, vectors.T[real] @ values
        q = int(real.sum())
        F = float(values @ np.linalg.solve(rows @ self.covariance @ rows.T, values)) / q
        df = self.degrees(rows)
        if q == 1 or self.inference == "robust" or np.isinf(df).all():
            return F, q, float(df[0]), self.inference
        if self.inference in _KENWARD_ROGER:
            moments = matched_moments(q, *self._spread_of_moments(rows))
            if moments is None:
                return F, q, float(df.min()), f"{self.inference}, unscaled, smallest df of its contrasts"
            return moments[1] * F, q, moments[0], self.inference
        if float(np.ptp(df)) < _SAME_DF:
            return F, q, float(df.mean()), self.inference
        if (df <= 2.0).any():
            return F, q, 2.0, self.inference
        expectation = float((df / (df - 2.0)).sum()) if np.isfinite(df).all() else float(q)
        combined = 2.0 * expectation / (expectation - q) if expectation > q else np.inf
        return F, q, combined, self.inference

    def _spread_of_moments(self, rows: Array) -> tuple[float, float]:
        """Give A1 and A2 of Kenward & Roger: sums over W of traces of products with the projection on the contrasts."""
        Phi, W = self.model_covariance, self.theta_covariance
        Theta = rows.T @ np.linalg.solve(rows @ Phi @ rows.T, rows)
        G = Theta @ Phi @ self._P @ Phi
        traces = np.einsum("kii->k", G)
        A2 = (W * np.einsum("kij,lji->kl", G, G, optimize=True)).sum()
        return float(traces @ W @ traces), float(A2)


def infer(
    evaluation: Evaluation,
    active: np.ndarray,
    inference: Inference,
    information: Information,
    sandwich: tuple[Array, float] | None,
) -> tuple[SmallSample, list[str]]:
    """Take the inference asked for, or what has to take its place, with notes that say so.

    What is given is as :class:`SmallSample` takes it.
    """
    notes = []
    if evaluation.likelihood.method == "ml" and inference in _KENWARD_ROGER:
        inference = "satterthwaite"
        notes.append("Kenward-Roger is a method for REML; under maximum likelihood the inference is Satterthwaite's.")
    small_sample = SmallSample(evaluation, active, inference, information, sandwich)
    if inference == "kenward-roger" and small_sample.trouble:
        linear = replace(small_sample, inference="kenward-roger-linear")
        if not linear.trouble:
            small_sample = linear
            notes.append(
                "Kenward-Roger's correction is taken without the second derivatives of the covariance (its linear form): "
                "with them, a parameter close to its limit would halve the square of a standard error, or worse."
            )
    return small_sample, notes


def matched_moments(q: int, A1: float, A2: float) -> tuple[float, float] | None:
    """Find the F distribution with the mean and variance of Kenward & Roger (1997, Biometrics 53(3), section 3.2).

    Given are its denominator degrees of freedom and the factor of F for q contrasts, with A1 and A2 as in the article; None
    where no F distribution has such moments: A2 of q or more, 2 df or fewer, or a scale that is not positive, off the exact
    test. The published form divides by terms that vanish together with their numerators where the test is an exact F test
    (A1 = q A2, df = 2 q / A2), above all at 2 df. Here the common factors are taken out, with

        a = A2 / q, s = A1 / A2, d = q - s (0 for an exact test), u = (q + 1) / (q + 2), g = q - 2 - u d
        x = 1 - a, bottom = 1 - c3 B, y = 1 - c2 B = x + e
        df = N1 / N2, scale = x N1 / N3

    where N1, N2, N3 are polynomials in x, e and bottom; for d = 0 the e is 0 and the factors cancel by hand.

    Examples
    --------
    >>> matched_moments(2, 8.0, 4.0)  # an exact F test on 2 and 1
    (1.0, 1.0)
    >>> df, scale = matched_moments(2, 0.36, 0.2)
    >>> round(df, 3), round(scale, 4)
    (20.928, 0.9951)
    """
    if A2 == 0.0:
        return np.inf, 1.0
    share, a = A1 / A2, A2 / q
    d = (q * A2 - A1) / A2
    if abs(d) <= _EXACT * q:
        return 2.0 / a, 1.0
    u = (q + 1.0) / (q + 2.0)
    below = q + 6.0 + 2.0 * u * d
    half = a * (share + 6.0) / (2.0 * below)
    bottom = 1.0 - half * (4.0 + u * d)
    x = (q - A2) / q
    e = a * d * (1.0 - q + u * d) / (2.0 * below)
    cross = bottom * e * (2.0 * x + e)
    N1 = (q + 2.0) * x * x * (1.0 - half * u * d) + (q - 2.0) * cross
    N2 = (q + 2.0) * x * x * half - cross
    N3 = (q + 2.0) * x * x * (x + e) + q * cross
    if x <= 0.0 or N3 == 0.0:
        return None
    scale = x * N1 / N3
    if N2 == 0.0:
        return (np.inf, scale) if scale > 0.0 else None
    df = N1 / N2
    return (df, scale) if df > 2.0 and scale > 0.0 else None
