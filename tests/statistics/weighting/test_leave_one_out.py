"""Coefficients without one patient beside fits without that patient; what then cannot be told is refused."""

import numpy as np
import pytest

from analysis.statistics.weighting.leave_one_out import (
    NotToldWithoutError,
    in_blocks,
    jackknife_covariance,
    steps_without,
)


def stacked(n=12, visits=3, columns=4, seed=1):
    rng = np.random.default_rng(seed)
    rows, y = rng.normal(size=(n, visits, columns)), rng.normal(size=(n, visits))
    root = rng.normal(size=(n, visits, visits))
    weight = root @ root.transpose(0, 2, 1) + np.eye(visits)
    return rows, y, weight


def solved(rows, y, weight):
    A = np.einsum("isp,ist,itq->pq", rows, weight, rows)
    return np.linalg.inv(A), np.linalg.solve(A, np.einsum("isp,ist,it->p", rows, weight, y))


def test_steps_are_those_of_fits_without_the_patient():
    rows, y, weight = stacked()
    inverse, b = solved(rows, y, weight)
    pulled = (weight @ (y - rows @ b)[:, :, None])[:, :, 0]
    found = steps_without(inverse, rows, weight, pulled)
    for i in range(len(y)):
        rest = np.arange(len(y)) != i
        assert b + found[i] == pytest.approx(solved(rows[rest], y[rest], weight[rest])[1])


def test_a_patient_who_alone_tells_a_coefficient_is_refused_by_place():
    rows, y, weight = stacked()
    rows[:, :, 3] = 0.0
    rows[5, 1, 3] = 1.0
    inverse, b = solved(rows, y, weight)
    pulled = (weight @ (y - rows @ b)[:, :, None])[:, :, 0]
    with pytest.raises(NotToldWithoutError) as raised:
        steps_without(inverse, rows, weight, pulled)
    assert raised.value.places.tolist() == [5]


def test_the_jackknife_of_a_mean_is_its_standard_error():
    values = np.random.default_rng(3).normal(size=(25, 2))
    means = (values.sum(axis=0) - values) / 24
    assert jackknife_covariance(means) == pytest.approx(np.cov(values.T) / 25)


def test_blocks_are_put_together_in_order():
    whole = np.arange(17.0)
    for most in (1, 5, 100):
        assert in_blocks(17, 2, lambda part: whole[part], most=most).tolist() == whole.tolist()
