"""Newton's method on the criterion, with a guard, halving and an honest account of how it ended."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np

from analysis.curves.covariances.covariance import Covariance
from analysis.curves.covariances.residual_base import Array
from analysis.curves.engine.likelihood import Evaluation, Likelihood

_MOST_STEPS = 200
_LONGEST_STEP = 4.0
"""A step moves no phi further than this: a variance by a factor of 50, no more than the curve can be trusted for."""
_LEAST_SHARE = 1e-8
"""A step cut to a smaller share of itself is none."""
_ENOUGH = 1e-4
"""Share of the decrease promised that a step must bring (Armijo's rule, with its usual constant)."""
_DIGITS = 1e-11
"""Rounding of a criterion, of its size: a rise no larger than this is none."""
_REACHED = 1e-8
"""Where a whole Newton step promised less than this it is the last one."""
_FLAT = 1e-8
"""A second derivative above minus this share of the largest is not negative; one below this share is taken as so large."""
_LEAST_BEND = 1e-4
"""Where some are negative, every direction is taken to bend by at least this share of the most bent one."""
_AT_BOUND = 1e-9
"""A phi this close to the end of its range is at it."""
_NO_DIRECTION = 1e-10
"""Directions of theta with a smaller share of the information than this are left out of the first step."""
_SAYS_NOTHING = 1e-6
"""With less information on a phi than this (a standard error of a thousand) the data say nothing about it."""
_FALLS = 1e-8
"""Along a variance that is zero the criterion falls where its slope is below minus this share of it; less is rounding."""
_SINGULAR = 1e-6
"""An eigenvalue of V or of D this small, of the largest variance (of D: or of the residual's), is zero."""
_SINGULAR_INVERSE = 1e9
"""An inverse of V this large (in units of the residual variance) leads to an edge without a minimum."""
_CRAWLING = 1e-3
"""A step cut to a smaller share of itself than this crawls."""
_MOST_CRAWLING = 8
"""So many crawling steps in a row lead to an edge without a minimum."""
_FEW_PATIENTS = 20
"""With fewer patients than this for each covariance parameter every start is followed."""
_HANDFUL = 3
"""With fewer patients than this for each parameter weeks measured closely are starts without patient effects too."""
_HARDLY = 0.01
"""Variance of the patient effects at a start at which patients hardly differ."""
_CLOSE = 1e-4
"""Variance of the visits of a week, in units of the residual variance, at a start at which the week is measured closely."""
_EXACT = 1e-9
"""Variance of the visits of a week at which a criterion that still falls falls without end."""
_SAME = 1e-6
"""Criteria this close are the same."""
_CLEARLY = 1e-3
"""A start that did not converge counts where its criterion is lower by this: then the minimum found is not the lowest."""
_STILL_FALLING = 1e-3
"""A criterion that changes by more than this a unit of phi at the limit of a range has no minimum there."""
_NEAR = {"log": 9.0, "log range": 2.5, "atanh": 2.5}
"""Beyond this phi (from 0, in working units) a parameter is so near a limit of its range that the limit is tried."""


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
    halved. A parameter near a limit of its range is put there and held where the criterion is as low there. With few
    patients, whose criterion may have several minima, every start is followed, and the lowest minimum taken.
    """
    counter = _Counter(likelihood)
    starts = sorted(_linearised_starts(counter), key=lambda pair: pair[1].criterion)
    endless = None
    if float(likelihood.basis.counts.sum()) < _FEW_PATIENTS * likelihood.covariance.size:
        close, endless = _exact_weeks(counter)
        starts += _distant_starts(counter) + close
    else:
        starts = starts[:1]
    best = _to_the_bottom(counter, *starts[0])
    for phi, here in starts[1:]:
        found = _to_the_bottom(counter, phi, here, rival=best if best.converged else None)
        ahead = 0.0 if found.converged else _CLEARLY
        if found.evaluation.criterion < best.evaluation.criterion - ahead:
            best = found
    if len(starts) > 1:
        counter.tried.append(f"took the lowest minimum from {len(starts)} starts")
    if "identity" in likelihood.covariance.residual.links and _nearly_singular(best.evaluation):
        best = replace(best, converged=False)
    if endless is not None:
        counter.tried.append("found variances with which the criterion falls without end")
        best = replace(best, converged=False, at_bound=endless)
    return replace(best, evaluations=counter.evaluations, tried=tuple(dict.fromkeys(counter.tried)))


def _nearly_singular(evaluation: Evaluation) -> bool:
    """Say whether the covariance of the visits of some pattern is singular, an edge at which no derivative vanishes."""
    largest = float(np.einsum("saa->sa", evaluation.likelihood.covariance.matrix(evaluation.theta)).max())
    return float(np.linalg.eigvalsh(evaluation.N).max()) * largest > 1.0 / _SINGULAR


def _linearised_starts(counter: _Counter) -> list[tuple[Array, Evaluation]]:
    covariance = counter.likelihood.covariance
    skip = covariance.n_effects_parameters
    candidates: list[tuple[Array, Evaluation]] = []
    residuals = covariance.residual.starts()
    for residual in residuals:
        theta = np.concatenate([np.zeros(skip), residual])
        here = counter.at(theta)
        if here is None:
            continue
        step = -np.linalg.lstsq(here.expected, 0.5 * here.gradient, rcond=_NO_DIRECTION)[0]
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
    if len(residuals) == 1:
        counter.tried.append("started from the linearised equations")
    else:
        counter.tried.append(f"started from the best of {len(residuals)} residual correlations")
    return candidates


def _distant_starts(counter: _Counter) -> list[tuple[Array, Evaluation]]:
    """Give starts far from the linearised ones: strong or weak patient effects, correlations of either sign."""
    covariance = counter.likelihood.covariance
    rows, columns = covariance.places
    effects = np.where(rows == columns, 1.0, 0.0)
    residuals = [*covariance.residual.starts(), *covariance.residual.distant_starts()]
    variances = [place for place, link in enumerate(covariance.residual.links) if link == "log"]
    if covariance.effects and len(variances) > 1:  # a minimum for each week that the patient effects may fit closely
        middle = residuals[len(covariance.residual.starts()) // 2]
        residuals += [np.where(np.arange(len(middle)) == place, 0.02, middle) for place in variances]
    pairs = [(effects, residual) for residual in residuals]
    if covariance.effects:  # and minima where patients hardly differ, and a week or the whole is measured closely
        usual = covariance.residual.starts()[0]
        for place in variances:
            close = np.array(usual, dtype=np.float64)
            close[place] *= 0.02
            pairs.append((_HARDLY * effects, close))
        for distant in covariance.residual.distant_starts():
            close = np.array(distant, dtype=np.float64)
            close[variances] *= 0.02
            pairs.append((effects, close))
    elif len(variances) > 1 and float(counter.likelihood.basis.counts.sum()) < _HANDFUL * covariance.size:
        usual = covariance.residual.starts()[0]
        pairs += [(effects, np.where(np.arange(len(usual)) == place, 0.02 * usual, usual)) for place in variances]
    found = []
    for own, residual in pairs:
        theta = np.concatenate([own, residual])
        phi = covariance.phi(theta)
        here = counter.at(covariance.theta(phi))
        if here is not None:
            found.append((phi, here))
    return found


def _exact_weeks(counter: _Counter) -> tuple[list[tuple[Array, Evaluation]], np.ndarray | None]:
    """Look for weeks, one, two or all, that the model gives exactly: starts there, and the parameters of an endless fall.

    Where the fixed effects, or they and the patients' own, give every value of some weeks exactly and take less than the
    values (by maximum likelihood: no more than these), the criterion falls without end as the residual variances of these
    weeks go to zero: there is no maximum, however good a minimum elsewhere looks. Values that are almost given exactly have
    a minimum nearby, which is found only from nearby.
    """
    covariance = counter.likelihood.covariance
    rows, columns = covariance.places
    variances = [place for place, link in enumerate(covariance.residual.links) if link == "log"]
    sets = {(place,) for place in variances} | set(combinations(variances, 2)) | {tuple(variances)} - {()}
    usual = np.array(covariance.residual.starts()[0], dtype=np.float64)
    starts: list[tuple[Array, Evaluation]] = []
    for own in (1.0, 0.0) if covariance.effects else (1.0,):
        effects = np.where(rows == columns, own, 0.0)
        for places in sorted(sets, key=len):
            held = np.isin(np.arange(covariance.size), len(rows) + np.array(places))

            def falls(size: float, effects: Array = effects, held: np.ndarray = held) -> bool:
                theta = np.concatenate([effects, usual])
                far, near = (counter.at(np.where(held, share * theta, theta)) for share in (size, 0.01 * size))
                return far is not None and near is not None and near.criterion < far.criterion - 0.5 * np.log(100.0)

            if not falls(_CLOSE):
                continue
            if falls(_EXACT):
                return [], held
            theta = np.concatenate([np.maximum(effects, _HARDLY * (rows == columns)), usual])
            phi = covariance.phi(np.where(held, _CLOSE * theta, theta))
            here = counter.at(covariance.theta(phi))
            if here is not None:
                phi, optimum = _descend(counter, phi, here, held)
                starts.append((phi, optimum.evaluation))
    return starts, None


def _to_the_bottom(counter: _Counter, phi: Array, here: Evaluation, rival: Optimum | None = None) -> Optimum:
    """Go down from a start to a minimum; no further than to see that a rival's is as low."""
    phi, optimum = _descend(counter, phi, here, rival=rival)
    if rival is not None and optimum.evaluation.criterion >= rival.evaluation.criterion - _SAME:
        return optimum
    optimum = _hold_limits(counter, phi, optimum)
    direction = _way_out(optimum.evaluation, counter.likelihood)
    if direction is not None:
        there = counter.at(counter.likelihood.covariance.theta(direction))
        if there is not None:
            counter.tried.append("left a saddle point where a variance was zero")
            optimum = _hold_limits(counter, *_descend(counter, direction, there))
    return optimum


def _hold_limits(counter: _Counter, phi: Array, optimum: Optimum) -> Optimum:
    """Put parameters that are close to a limit of their range at it, one by one, where that costs nothing."""
    covariance = counter.likelihood.covariance
    fixed = optimum.at_bound.copy()
    for number, limit in _near_limits(covariance, phi, optimum):
        moved, holding = phi.copy(), fixed.copy()
        moved[number], holding[number] = limit, True
        there = counter.at(covariance.theta(moved))
        if there is None:
            continue
        at, found = _descend(counter, moved, there, holding)
        if found.evaluation.criterion <= optimum.evaluation.criterion + _SAME:
            phi, optimum, fixed = at, found, holding
    return optimum


def _near_limits(covariance: Covariance, phi: Array, optimum: Optimum) -> list[tuple[int, float]]:
    """List the free residual parameters near a limit of their range, or about which the data say nothing, and that limit."""
    low, high = covariance.bounds()
    J = covariance.jacobian(phi)
    information = np.einsum("ik,ij,jk->k", J, optimum.evaluation.expected, J, optimize=True)
    found = []
    for number in range(covariance.n_effects_parameters, phi.size):
        link = covariance.links[number]
        if link not in _NEAR or optimum.at_bound[number]:
            continue
        if abs(phi[number]) > _NEAR[link] or information[number] < _SAYS_NOTHING:
            up = phi[number] > 0.0 and link != "log"
            found.append((number, float(high[number] if up else low[number])))
    return found


def _descend(
    counter: _Counter,
    phi: Array,
    here: Evaluation,
    fixed: np.ndarray | None = None,
    rival: Optimum | None = None,
) -> tuple[Array, Optimum]:
    """Go down from phi; parameters that are fixed stay where they are. Stop on the way to a rival's minimum."""
    covariance = counter.likelihood.covariance
    low, high = covariance.bounds()
    converged, decrement, halvings, crawling = False, np.inf, 0, 0
    fixed = np.zeros(phi.size, dtype=bool) if fixed is None else fixed
    held = fixed
    for _ in range(_MOST_STEPS):
        if np.abs(here.N).max() > _SINGULAR_INVERSE:
            break
        J = covariance.jacobian(phi)
        gradient = J.T @ here.gradient
        held = fixed | ((phi <= low + _AT_BOUND) & (gradient > 0.0)) | ((phi >= high - _AT_BOUND) & (gradient < 0.0))
        free = ~held
        if not free.any():
            converged, decrement = True, 0.0
            break
        H = 2.0 * J.T @ here.observed @ J + covariance.curvature(phi, here.gradient)
        values, vectors = np.linalg.eigh(H[np.ix_(free, free)])
        floor = _FLAT * max(float(np.abs(values).max()), _FLAT)
        definite = bool(values.min() > -floor)
        sizes = np.abs(values)
        bent = np.maximum(values, floor) if definite else np.maximum(sizes, _LEAST_BEND * sizes.max())
        along = vectors.T @ gradient[free]
        step = np.zeros(phi.size)
        step[free] = -vectors @ (along / bent)
        longest = float(np.abs(step).max())
        if longest > _LONGEST_STEP:
            step *= _LONGEST_STEP / longest
        decrement = 0.5 * float(along @ (along / bent))
        if rival is not None and definite and decrement < 0.5 and _same_place(covariance, phi + step, rival):
            break
        share, there, moved = 1.0, None, phi
        while share > _LEAST_SHARE:
            moved = np.clip(phi + share * step, low, high)
            there = counter.at(covariance.theta(moved))
            highest = here.criterion - _ENOUGH * share * decrement + _DIGITS * abs(here.criterion)
            if there is not None and there.criterion <= highest:
                break
            there = None
            share *= 0.5
            halvings += 1
        crawling = crawling + 1 if share < _CRAWLING else 0
        if there is None or crawling > _MOST_CRAWLING:
            converged = there is None and definite and decrement < _SAME
            break
        done = definite and decrement < _REACHED and share == 1.0
        phi, here = moved, there
        if done:
            converged = True
            break
    if held.any() and converged:
        falling = np.abs((covariance.jacobian(phi).T @ here.gradient)[held])
        if falling.max() > _STILL_FALLING:
            converged, decrement = False, float(falling.max())
    counter.tried.append(
        f"Newton steps with the observed information, {halvings} halved"
        if halvings
        else "Newton steps with the observed information"
    )
    return phi, Optimum(here, converged, counter.evaluations, decrement, held, tuple(counter.tried))


def _same_place(covariance: Covariance, phi: Array, rival: Optimum) -> bool:
    """Say whether a step leads to where a rival ended: then its minimum is the same."""
    there = rival.evaluation.theta
    return bool((np.abs(covariance.theta(phi) - there) < 0.02 * (0.1 + np.abs(there))).all())


def _way_out(evaluation: Evaluation, likelihood: Likelihood) -> Array | None:
    """At a singular D, look for a direction in which the criterion falls as a variance grows from zero."""
    covariance = likelihood.covariance
    if not covariance.effects:
        return None
    D = covariance.effects_matrix(evaluation.theta)
    values, vectors = np.linalg.eigh(D)
    null = vectors[:, values < _SINGULAR * max(1.0, float(values.max()))]
    if not null.shape[1]:
        return None
    rows, columns = covariance.places
    slope = np.zeros_like(D)
    slope[rows, columns] = evaluation.gradient[: len(rows)] * np.where(rows == columns, 1.0, 0.5)
    slope = slope + np.tril(slope, -1).T
    if not covariance.correlated:
        slope = np.diag(np.diag(slope))
    inward, directions = np.linalg.eigh(null.T @ slope @ null)
    if inward.min() > -_FALLS * max(1.0, abs(evaluation.criterion)):
        return None
    grow = null @ directions[:, 0]
    theta = evaluation.theta.copy()
    theta[: len(rows)] = (D + 0.02 * np.outer(grow, grow))[rows, columns]
    return covariance.phi(theta)
