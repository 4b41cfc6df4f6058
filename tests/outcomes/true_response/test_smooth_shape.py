"""A smooth distribution of two true values: its curves against known distributions, and what it finds in patients."""

import numpy as np
import pytest
from scipy.stats import gamma, lognorm, norm

from analysis.outcomes.true_response import smooth_shape as shapes
from analysis.outcomes.true_response.pieces import grid
from analysis.outcomes.true_response.smooth_shape import smooth_shape
from analysis.outcomes.true_response.true_pair import TruePair


class Patients(TruePair):
    """Patients of whom both true values were seen, with a normal error of 0.3: what they say needs no model of visits."""

    def __init__(self, seen):
        self.seen = self.residual = seen
        self.centre, self.spread = np.zeros(len(seen)), 1.0
        self.patterns = [(np.array([True, True]), np.arange(len(seen)))]
        self.loading, self.rest, self.error = np.eye(2), np.zeros((2, 2)), np.full(2, 0.3**2)
        self.places, self.contrast = [0, 1], np.array([1.0, 0.0])


def seen(rng, *true):
    """Patients with these true changes and other true values, or standard normal ones."""
    both = np.column_stack([*true, *[rng.standard_normal(len(true[0]))] * (2 - len(true))])
    return both + 0.3 * rng.standard_normal(both.shape)


def test_a_curve_without_knots_is_a_normal_distribution():
    curve = shapes._Curve(0)
    borders = np.array([-1.0, 0.5, 2.0])
    shares, _ = curve.shares(np.array([0.3, np.log(1.7)]), borders)
    expected = np.diff(np.concatenate([[0.0], norm.cdf((borders - 0.3) / 1.7), [1.0]]))
    np.testing.assert_allclose(shares, expected, atol=1e-6)


def test_a_curve_whose_slope_grows_evenly_is_a_shifted_lognormal():
    """T'(w) = exp(a + b w) makes T(w) = m + exp(a) (exp(b w) - 1) / b."""
    curve = shapes._Curve(3)
    a, b, middle = 0.1, 0.6, -0.2
    coefficients = np.linalg.lstsq(curve.basis, a + b * shapes._VALUES, rcond=None)[0]
    borders = np.array([-0.8, 0.0, 1.0, 4.0])
    shares, _ = curve.shares(np.r_[middle, coefficients], borders)
    scale = np.exp(a) / b
    below = lognorm.cdf(borders - middle + scale, b, scale=scale)
    np.testing.assert_allclose(shares, np.diff(np.concatenate([[0.0], below, [1.0]])), atol=2e-5)


@pytest.mark.parametrize("knots", [0, 3, 6])
def test_derivatives_of_the_shares_are_their_slopes(rng, knots):
    curve = shapes._Curve(knots)
    at = 0.3 * rng.standard_normal(curve.size)
    borders = np.linspace(-3, 3, 13)
    _, by = curve.shares(at, borders)
    for k in range(curve.size):
        step = 1e-5 * np.eye(curve.size)[k]
        slope = (curve.shares(at + step, borders)[0] - curve.shares(at - step, borders)[0]) / 2e-5
        np.testing.assert_allclose(by[:, k], slope, atol=1e-6)


def test_pieces_reach_over_their_borders_by_half():
    made = grid((np.array([-1.0, 0.0, 3.0]), np.array([0.0, 1.0])), (np.array([-0.5, 1.0]), np.array([0.5])))
    np.testing.assert_allclose(made.width[::2, 0], [0.5, 0.75, 2.0])
    np.testing.assert_allclose(made.centre[:2], [[-1, 0], [-1, 1]])


def mean_and_variance(shape, weight=None):
    shares = shape.shares(weight)
    assert shares.sum() == pytest.approx(1)
    mean = shares @ shape.pieces.centre
    return mean, shares @ (shape.pieces.centre**2 + shape.pieces.width**2) - mean**2


def test_normal_patients_get_a_normal_distribution(rng):
    patients = Patients(seen(rng, rng.standard_normal(1500)))
    found = smooth_shape(patients, np.arange(1500), ())
    assert found.knots[1] == 0
    mean, variance = mean_and_variance(found)
    np.testing.assert_allclose(mean, patients.seen.mean(axis=0), atol=0.01)
    np.testing.assert_allclose(variance, patients.seen.var(axis=0) - 0.09, atol=0.03)


@pytest.mark.slow
def test_a_sharp_end_and_two_kinds_are_found(rng):
    """True changes from a gamma distribution that ends at -1.41; another true value of two kinds. What lies below a
    value, by the pieces, against the distribution function: of 3,000 patients seen a share errs by up to 0.009, and the
    measurement hides a part."""
    change = (rng.gamma(2.0, 1.0, 3000) - 2) / 2**0.5
    other = np.where(rng.random(3000) < 0.4, -1.5, 1.5) + 0.8 * rng.standard_normal(3000)
    found = smooth_shape(Patients(seen(rng, change, other)), np.arange(3000), ())
    assert min(found.knots) >= 3
    shares, pieces = found.shares(), found.pieces

    def below(place, value):
        return shares @ norm.cdf((value - pieces.centre[:, place]) / pieces.width[:, place])

    for value in (-1.6, -1.2, -0.9, -0.5, 0.0, 2.0):
        assert below(0, value) == pytest.approx(gamma.cdf(2 + 2**0.5 * value, 2), abs=0.03), value
    for value in (-2.0, 0.0, 2.0):
        kinds = norm.cdf((value + np.array([1.5, -1.5])) / 0.8)
        assert below(1, value) == pytest.approx(kinds @ [0.4, 0.6], abs=0.03), value


def test_counting_patients_twice_moves_the_shares_as_fitting_them_twice_does(rng):
    """Weights take one step of Newton's method: thirty of 600 patients stand twice. The mean moves by a quarter more than in a fit, which
    takes several steps, the variance by a third (seeds 20 to 22: 1.21 to 1.25 times, and 1.3 to 2.1)."""
    once = seen(rng, rng.standard_exponential(600) - 1)
    twice = np.argsort(once[:, 0])[-30:]
    weight = np.ones(600)
    weight[twice] = 2
    found = smooth_shape(Patients(once), np.arange(600), ())
    fitted = smooth_shape(Patients(np.vstack([once, once[twice]])), np.arange(630), ())
    before, after, refitted = (mean_and_variance(found), mean_and_variance(found, weight), mean_and_variance(fitted))
    assert after[0][0] - before[0][0] == pytest.approx(refitted[0][0] - before[0][0], rel=0.3)
    assert after[1][0] - before[1][0] == pytest.approx(refitted[1][0] - before[1][0], rel=0.4)


@pytest.mark.parametrize(("n", "value"), [(15, 0.0), (60, 0.0), (60, 1.0), (300, 0.0)])
def test_where_all_patients_are_alike_counting_some_twice_moves_nothing(n, value):
    """As where all are at the best value: the information of the shape is singular, and weights have nothing to say."""
    found = smooth_shape(Patients(np.full((n, 2), value)), np.arange(n), ())
    assert np.abs(found.influence).max() < 1
    weight = np.arange(n) * 2.0 / (n - 1)
    np.testing.assert_allclose(found.shares(weight), found.shares(), atol=1e-9)


def test_fewer_than_twenty_patients_get_a_normal_distribution(rng):
    patients = Patients(seen(rng, rng.standard_exponential(19) - 1))
    assert smooth_shape(patients, np.arange(19), ()).knots == (0, 0)
