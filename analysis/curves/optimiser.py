"""Newton's method on the criterion, with a guard, halving and an honest account of how it ended."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.curves.likelihood import Evaluation, Likelihood
from analysis.curves.residual_base import Array

_MOST_STEPS = 200


@dataclass(frozen=True, eq=False)
class Optimum:
    """Where the optimiser ended.

    Parameters
    ----------
    evaluation : Evaluation
        The likelihood there.
    converged : bool
        Whether the gradient vanishes there (or points outwards, at a bound).
    evaluations : int
        How often the likelihood was computed.
    decrement : float
        The further decrease of the criterion that a Newton step promises.
    at_bound : ndarray of bool
        The residual parameters that ended at the edge of their range.
    tried : tuple of str
        What was done.
    """

    evaluation: Evaluation
    converged: bool
    evaluations: int
    decrement: float
    at_bound: np.ndarray
    tried: tuple[str, ...]


@dataclass
class _Counter:
    likelihood: Likelihood
    evaluations: int = 0
    tried: list[str] = field(default_factory=list)

    def at(self, theta: Array) -> Evaluation | None:
        self.evaluations += 1
        return self.likelihood.at(theta)


def optimise(likelihood: Likelihood) -> Optimum:
    """Find the minimum of the criterion.

    The first step solves the linearised equations from V = I (as MIVQUE does); then Newton steps with
    the observed information on the Cholesky factor of D and the links of the residual parameters. Where the second
    derivative is not positive definite its eigenvalues are made so; a step that does not decrease the criterion is
    halved.

    Parameters
    ----------
    likelihood : Likelihood
        The model.

    Returns
    -------
    Optimum
    """
    counter = _Counter(likelihood)
    start = _start(counter)
    optimum = _descend(counter, *start)
    direction = _way_out(optimum.evaluation, likelihood)
    if direction is not None:
        counter.tried.append("left a saddle point where a variance was zero")
        optimum = _descend(counter, direction, counter.at(likelihood.covariance.theta(direction)))
    return optimum


def _start(counter: _Counter) -> tuple[Array, Evaluation]:
    covariance = counter.likelihood.covariance
    skip = covariance.n_effects_parameters
    candidates: list[tuple[Array, Evaluation]] = []
    for number, residual in enumerate(covariance.residual.starts()):
        theta = np.concatenate([np.zeros(skip), residual])
        here = counter.at(theta)
        if here is None:
            continue
        step = -np.linalg.lstsq(here.expected, 0.5 * here.gradient, rcond=1e-10)[0]
        for share in (1.0, 0.5, 0.25, 0.0):
            moved = theta + share * step
            linear = [link in {"identity", "cholesky"} for link in covariance.residual.links]
            moved[skip:] = np.where(linear, moved[skip:], np.maximum(moved[skip:], 0.1 * np.abs(residual)))
            atanh = [link == "atanh" for link in covariance.residual.links]
            moved[skip:] = np.where(atanh, residual, moved[skip:])
            phi = covariance.phi(moved)
            there = counter.at(covariance.theta(phi))
            if there is not None:
                candidates.append((phi, there))
                break
        if number == 0 and len(covariance.residual.starts()) == 1:
            counter.tried.append("started from the linearised equations")
    if len(covariance.residual.starts()) > 1:
        counter.tried.append(f"started from the best of {len(covariance.residual.starts())} residual correlations")
    return min(candidates, key=lambda pair: pair[1].criterion)


def _descend(counter: _Counter, phi: Array, here: Evaluation | None) -> Optimum:
    covariance = counter.likelihood.covariance
    low, high = covariance.bounds()
    if here is None:
        raise np.linalg.LinAlgError("the start is not positive definite")
    converged, decrement, halvings = False, np.inf, 0
    held = np.zeros(phi.size, dtype=bool)
    for _ in range(_MOST_STEPS):
        J = covariance.jacobian(phi)
        gradient = J.T @ here.gradient
        held = ((phi <= low + 1e-9) & (gradient > 0.0)) | ((phi >= high - 1e-9) & (gradient < 0.0))
        free = ~held
        if not free.any():
            converged, decrement = True, 0.0
            break
        H = 2.0 * J.T @ here.observed @ J + covariance.curvature(phi, here.gradient)
        values, vectors = np.linalg.eigh(H[np.ix_(free, free)])
        floor = 1e-8 * max(float(np.abs(values).max()), 1e-8)
        definite = bool(values.min() > -floor)
        sizes = np.abs(values)
        bent = np.maximum(values, floor) if definite else np.maximum(sizes, 1e-4 * sizes.max())
        along = vectors.T @ gradient[free]
        step = np.zeros(phi.size)
        step[free] = -vectors @ (along / bent)
        longest = float(np.abs(step).max())
        if longest > 4.0:
            step *= 4.0 / longest
        decrement = 0.5 * float(along @ (along / bent))
        share, there, moved = 1.0, None, phi
        while share > 1e-8:
            moved = np.clip(phi + share * step, low, high)
            there = counter.at(covariance.theta(moved))
            if there is not None and there.criterion <= here.criterion - 1e-4 * share * decrement + 1e-11 * abs(
                here.criterion
            ):
                break
            there = None
            share *= 0.5
            halvings += 1
        if there is None:
            converged = definite and decrement < 1e-6
            break
        done = definite and decrement < 1e-8 and share == 1.0
        phi, here = moved, there
        if done:
            converged = True
            break
    counter.tried.append(
        f"Newton steps with the observed information, {halvings} halved"
        if halvings
        else "Newton steps with the observed information"
    )
    return Optimum(here, converged, counter.evaluations, decrement, held, tuple(counter.tried))


def _way_out(evaluation: Evaluation, likelihood: Likelihood) -> Array | None:
    """At a singular D, look for a direction in which the criterion falls as a variance grows from zero."""
    covariance = likelihood.covariance
    if not covariance.effects:
        return None
    D = covariance.effects_matrix(evaluation.theta)
    values, vectors = np.linalg.eigh(D)
    null = vectors[:, values < 1e-6 * max(1.0, float(values.max()))]
    if not null.shape[1]:
        return None
    rows, columns = covariance.places
    slope = np.zeros_like(D)
    slope[rows, columns] = evaluation.gradient[: len(rows)] * np.where(rows == columns, 1.0, 0.5)
    slope = slope + np.tril(slope, -1).T
    if not covariance.correlated:
        slope = np.diag(np.diag(slope))
    inward, directions = np.linalg.eigh(null.T @ slope @ null)
    if inward.min() > -1e-5 * max(1.0, abs(evaluation.criterion)) * 1e-3:
        return None
    grow = null @ directions[:, 0]
    theta = evaluation.theta.copy()
    theta[: len(rows)] = (D + 0.02 * np.outer(grow, grow))[rows, columns]
    return covariance.phi(theta)
