"""Which counts a reader may think to be 11: held against the largest value of each, found by a program of its own."""

import numpy as np
import pytest
from scipy.optimize import linprog

from analysis.errors import ModelError
from analysis.quarter.ledger.openness import Reader, Targets, cheapest_to_hide, matrix_of

LIMIT = 50.0


def reader(equal, at_most, n):
    made = Reader()
    made.add_variables(n, LIMIT)
    made.know(equal)
    made.know(at_most, at_most=True)
    return made


def random_counts(seed):
    """Draw counts, sums of some of them, and one that is no larger than another."""
    rng = np.random.default_rng(seed)
    point = rng.poisson(4.0, 12).astype(float)
    rows = [dict.fromkeys(rng.choice(12, rng.integers(2, 5), replace=False).tolist(), 1.0) for _ in range(5)]
    equal = [(row, sum(point[i] for i in row)) for row in rows]
    return equal, [({0: 1.0, 1: -1.0}, max(0.0, point[0] - point[1]))], rng


def alone(row, equal, at_most):
    """Find the largest value of a count by a program that begins from nothing."""
    (a, b), (c, d), (aim, _) = matrix_of(equal, 12), matrix_of(at_most, 12), matrix_of([(row, 0.0)], 12)
    found = linprog(
        -aim.toarray()[0], A_eq=a if equal else None, b_eq=b if equal else None, A_ub=c, b_ub=d, bounds=(0, LIMIT)
    )
    return -found.fun


def test_a_count_is_as_large_as_what_is_shown_leaves_room_for():
    """Of 20 the first two share, either may be all of it; of 9 neither more than 9; and of nothing both are none."""
    known = reader([({0: 1.0, 1: 1.0}, 20.0), ({2: 1.0, 3: 1.0}, 9.0), ({4: 1.0, 5: 1.0}, 0.0)], [], 6)
    most = [known.most({i: 1.0})[i] for i in range(6)]
    assert most == pytest.approx([20, 20, 9, 9, 0, 0], abs=1e-9)


def test_where_nothing_agrees_with_what_is_known_there_is_no_answer():
    known = reader([({0: 1.0}, 3.0)], [({0: 1.0}, 2.0)], 2)
    assert known.most({1: 1.0}) is None


@pytest.mark.parametrize("seed", range(12))
def test_each_answer_is_that_of_a_program_of_its_own(seed):
    """Whatever was asked before; and after something is taken back, and after a variable is added."""
    equal, at_most, rng = random_counts(seed)
    known = reader(equal[:-1], at_most, 12)
    last = known.know(equal[-1:])
    rows = [{i: 1.0} for i in range(12)] + [{2: 1.0, 7: -1.0}, {3: 1.0, 5: 1.0, 9: 1.0}]

    def answers():
        for i in rng.permutation(len(rows)):
            way = known.most(rows[i])
            yield i, sum(factor * way[at] for at, factor in rows[i].items())

    for i, found in answers():
        assert found == pytest.approx(alone(rows[i], equal, at_most), abs=1e-6)
    known.forget(last)
    for i, found in answers():
        assert found == pytest.approx(alone(rows[i], equal[:-1], at_most), abs=1e-6)
    known.add_variables(13, 11.0)
    known.know([({12: 1.0, 4: -1.0}, 0.0), ({12: 1.0, 6: -1.0}, 0.0)], at_most=True)
    both = known.most({12: 1.0})
    assert both[12] <= min(both[4], both[6], 11.0) + 1e-6
    assert both[12] == pytest.approx(_both(equal[:-1], at_most), abs=1e-6)


def _both(equal, at_most):
    """Find the most that counts 4 and 6 can be at the same time, up to 11."""
    (a, b), (c, d) = (
        matrix_of(equal, 13),
        matrix_of([*at_most, ({12: 1.0, 4: -1.0}, 0.0), ({12: 1.0, 6: -1.0}, 0.0)], 13),
    )
    aim = np.zeros(13)
    aim[12] = -1.0
    return -linprog(aim, A_eq=a, b_eq=b, A_ub=c, b_ub=d, bounds=[(0, LIMIT)] * 12 + [(0, 11)]).fun


def test_the_least_is_hidden_that_lets_a_count_be_eleven():
    """Of 15 the first is 4 and the other 11: both must go; the first alone where the other is not shown; of 10 none helps."""
    shown = [({0: 1.0}, 4.0), ({1: 1.0}, 11.0)]
    equal = [({0: 1.0, 1: 1.0}, 15.0)]
    assert cheapest_to_hide({0: 1.0}, shown, np.array([1.0, 3.0]), equal, [], 2).tolist() == [True, True]
    assert cheapest_to_hide({0: 1.0}, shown[:1], np.array([1.0]), equal, [], 2).tolist() == [True]
    assert cheapest_to_hide({0: 1.0}, shown, np.array([1.0, 3.0]), [({0: 1.0, 1: 1.0}, 10.0)], [], 2) is None


def test_a_program_that_comes_to_no_end_is_said_and_nothing_is_released():
    known = reader([({0: 1.0}, 3.0)], [], 1)
    with pytest.raises(ModelError, match="so nothing is released") as raised:
        known.most({99: 1.0})  # no such count
    assert "report this message" in raised.value.what_to_do


def test_targets_give_their_rows_back():
    rows = [({0: 1.0, 3: -1.0}, False), ({2: 1.0}, True)]
    targets = Targets.of(rows, 4)
    assert [targets.row(i) for i in range(2)] == [row for row, _ in rows]
    assert targets.none.tolist() == [False, True]


def test_nothing_is_written_on_the_terminal(capfd):
    reader([({0: 1.0}, 3.0)], [], 1).most({0: 1.0})
    assert capfd.readouterr() == ("", "")
