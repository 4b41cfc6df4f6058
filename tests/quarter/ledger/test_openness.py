"""Which counts a reader may think to be 11: held against the largest value of each, found by itself."""

import numpy as np
import pytest
from scipy.optimize import linprog

from analysis.quarter.ledger.openness import Families, Reader, Targets, matrix_of


def reader(equal, at_most, point):
    n = len(point)
    return Reader(*matrix_of(equal, n), *matrix_of(at_most, n), np.array(point, dtype=float))


def test_a_count_is_open_where_what_is_shown_leaves_room_and_closed_where_it_does_not():
    """Of 20 the first two share, either may be 11; of 9 neither; and of nothing both are known to be none."""
    known = reader(
        [({0: 1.0, 1: 1.0}, 20.0), ({2: 1.0, 3: 1.0}, 9.0), ({4: 1.0, 5: 1.0}, 0.0)], [], [4, 16, 4, 5, 0, 0]
    )
    targets = Targets.of([({i: 1.0}, i > 3) for i in range(6)], 6)
    closed, left = known.closed(targets, np.arange(6), Families([np.array([0, 1])]), 6)
    assert set(closed.tolist()) == {2, 3}
    assert len(left) == 0


@pytest.mark.parametrize("seed", range(12))
def test_families_change_nothing_of_what_is_called_closed(seed):
    rng = np.random.default_rng(seed)
    point = rng.poisson(4.0, 12).astype(float)
    rows = [dict.fromkeys(rng.choice(12, rng.integers(2, 5), replace=False).tolist(), 1.0) for _ in range(5)]
    equal = [(row, sum(point[i] for i in row)) for row in rows]
    at_most = [({0: 1.0, 1: -1.0}, max(0.0, point[0] - point[1]))]
    targets = Targets.of([({i: 1.0}, False) for i in range(12)], 12)
    (a, b), (c, d) = matrix_of(equal, 12), matrix_of(at_most, 12)
    most = [linprog(-np.eye(12)[i], A_eq=a, b_eq=b, A_ub=c, b_ub=d, bounds=(0, 50)) for i in range(12)]
    closed = {i for i, one in enumerate(most) if -one.fun < 11 - 1e-6}
    for families in (Families(), Families([np.arange(6), np.arange(6, 12)], [np.arange(3), np.arange(4, 9)])):
        for most in (1, 2, 12):
            todo, found = np.arange(12), []
            while len((some := reader(equal, at_most, point).closed(targets, todo, families, most))[0]):
                assert len(some[0]) <= most
                found += some[0].tolist()
                todo = some[1]
            assert len(some[1]) == 0
            assert len(found) == len(closed)
            assert set(found) == closed
