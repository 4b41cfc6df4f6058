"""Means in a target: written out, errors beside numerical derivatives and refits, and right where one model is."""

import numpy as np
import pytest

from analysis.statistics.weighting.leave_one_out import jackknife_covariance
from analysis.statistics.weighting.multinomial_scores import fit_group_scores, group_chances
from analysis.statistics.weighting.tilted_means import TiltedMeans

from .groups import invented, models

WAYS = ["aipw", "weights", "model"]
TARGETS = ["everybody", "overlap", "matching", 1]


def by_hand(covariates, codes, outcome, groups, target, way):
    """Write the estimate out: scores, least squares, weighted means."""
    e = fit_group_scores(covariates, codes, groups).chances
    h = {"everybody": np.ones(len(e)), "overlap": 1 / (1 / e).sum(axis=1), "matching": e.min(axis=1)}.get(
        target, e[:, 1]
    )
    design = np.column_stack([np.eye(groups)[codes], covariates])
    b = np.linalg.lstsq(design, outcome, rcond=None)[0]
    found = []
    for k in range(groups):
        m = b[k] + covariates @ b[groups:]
        mine = codes == k
        over = np.average(m, weights=h)
        if way == "weights":
            found.append(np.average(outcome[mine], weights=(h / e[:, k])[mine]))
        else:
            rest = np.average((outcome - m)[mine], weights=(h / e[:, k])[mine])
            found.append(over + (rest if way == "aipw" else 0.0))
    return np.array(found)


@pytest.mark.parametrize("groups", [2, 3])
@pytest.mark.parametrize("target", TARGETS)
@pytest.mark.parametrize("way", WAYS)
def test_means_are_those_written_out(groups, target, way):
    data = invented(150, groups, seed=4)
    found = TiltedMeans(*models(*data, groups), target, way).estimate[0]
    assert found == pytest.approx(by_hand(*data, groups, target, way), rel=1e-9)


@pytest.mark.parametrize(
    ("groups", "target", "way"), [(2, "everybody", "weights"), (2, 1, "model"), (3, "overlap", "aipw")]
)
def test_the_jackknife_is_close_to_fits_without_each_patient(groups, target, way):
    """One Newton step of the scores against all of them; the error differs by less than 2 %."""
    covariates, codes, outcome = invented(100, groups, seed=6)
    means = TiltedMeans(*models(covariates, codes, outcome, groups), target, way)
    refits = []
    for i in range(len(codes)):
        rest = np.arange(len(codes)) != i
        refits.append(by_hand(covariates[rest], codes[rest], outcome[rest], groups, target, way))
    assert np.sqrt(np.diag(means.jackknife())) == pytest.approx(
        np.sqrt(np.diag(jackknife_covariance(np.array(refits)))), rel=0.02
    )


@pytest.mark.parametrize("groups", [2, 3])
@pytest.mark.parametrize("target", TARGETS)
@pytest.mark.parametrize("way", WAYS)
def test_the_influence_is_the_derivative_by_the_weight_of_a_patient(groups, target, way):
    """A patient counted 1 + t times: the derivative at t = 0, by fits with weights of cases."""
    covariates, codes, outcome = invented(60, groups, seed=8)
    means = TiltedMeans(*models(covariates, codes, outcome, groups), target, way)
    found = means.influence()[:, 0, :]
    chosen = [0, 41]
    for i in chosen:
        slopes = []
        for t in (-1e-4, 1e-4):
            counts = np.ones(len(codes))
            counts[i] += t
            slopes.append(counted(covariates, codes, outcome, groups, target, way, counts))
        assert found[i] == pytest.approx((slopes[1] - slopes[0]) / 2e-4, abs=1e-6)


def counted(covariates, codes, outcome, groups, target, way, counts):
    """Give the means with each patient counted so many times."""
    Z = np.column_stack([np.ones(len(codes)), covariates])
    member = np.eye(groups)[codes]
    a = np.zeros((Z.shape[1], groups - 1))
    for _ in range(30):
        e = group_chances(Z @ a)
        score = Z.T @ ((member - e)[:, 1:] * counts[:, None])
        H = np.zeros((a.size, a.size)).reshape(*a.shape, *a.shape)
        for k in range(groups - 1):
            for other in range(groups - 1):
                spread = e[:, k + 1] * ((k == other) - e[:, other + 1]) * counts
                H[:, k, :, other] = (Z * spread[:, None]).T @ Z
        a = a + np.linalg.solve(H.reshape(a.size, a.size), score.ravel()).reshape(a.shape)
    e = group_chances(Z @ a)
    h = {"everybody": np.ones(len(e)), "overlap": 1 / (1 / e).sum(axis=1), "matching": e.min(axis=1)}.get(
        target, e[:, 1]
    )
    design = np.column_stack([member, covariates])
    b = np.linalg.solve((design * counts[:, None]).T @ design, (design * counts[:, None]).T @ outcome)
    found = []
    for k in range(groups):
        m = b[k] + covariates @ b[groups:] if way != "weights" else np.zeros(len(codes))
        mine = codes == k
        over = np.average(m, weights=h * counts)
        rest = np.average((outcome - m)[mine], weights=(h / e[:, k] * counts)[mine])
        found.append((over if way != "weights" else 0.0) + (rest if way != "model" else 0.0))
    return np.array(found)


def test_weights_alone_with_known_scores_are_a_survey_mean():
    """SE of a weighted mean as in Lohr, Sampling, with replacement, up to n / (n - 1)."""
    data = invented(100, 2, seed=5)
    means = TiltedMeans(*models(*data, 2), "everybody", "weights")
    _, codes, outcome = data
    e = means.scores.chances[np.arange(100), codes]
    for k in (0, 1):
        w, y = 1 / e[codes == k], outcome[codes == k]
        middle = np.average(y, weights=w)
        assert means.sandwich(known_scores=True)[k, k] == pytest.approx((w**2 * (y - middle) ** 2).sum() / w.sum() ** 2)
