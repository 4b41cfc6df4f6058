"""Hidden counts of tables attacked by a solver that knows everything shown."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import ModelError
from analysis.statistics.small_counts import CellSystem, hide_small_cells

from .attack import attack, protected


def table_system(table):
    """Make the system of a two-way table with both margins and the total."""
    rows, columns = table.shape
    values = np.vstack([np.hstack([table, table.sum(1, keepdims=True)]), np.hstack([table.sum(0), table.sum()])])
    place = np.arange(values.size).reshape(values.shape)
    sums = [(place[i, columns], place[i, :columns]) for i in range(rows + 1)]
    sums += [(place[rows, j], place[:rows, j]) for j in range(columns + 1)]
    return CellSystem.of(values.ravel(), sums)


def test_row_of_the_cms_policy():
    # CMS cell policy, worked row: 4, 25, 31 and their total 60; hiding 4 alone gives it away.
    cells = CellSystem.of([4, 25, 31, 60], [(3, (0, 1, 2))])
    alone = np.array([True, False, False, False])
    assert attack(cells, alone, 0) == pytest.approx((4, 4))
    hidden = hide_small_cells(cells)
    assert hidden.tolist() == [True, True, False, False]
    low, high = attack(cells, hidden, 0)
    assert low == pytest.approx(0)
    assert high == pytest.approx(29)


def test_zero_and_eleven_may_be_shown():
    cells = CellSystem.of([0, 11, 40, 51], [(3, (0, 1, 2))])
    assert not hide_small_cells(cells).any()


def test_two_small_cells_that_add_up_to_little_do_not_protect_each_other():
    # 2 + 3: with both hidden and the total shown a reader knows that they are 5 together, which is small itself.
    cells = CellSystem.of([2, 3, 40, 45], [(3, (0, 1, 2))])
    naive = np.array([True, True, False, False])
    assert attack(cells, naive, 0) == pytest.approx((0, 5))
    hidden = hide_small_cells(cells)
    assert protected(cells, hidden)
    assert hidden.sum() == 3


def test_a_known_system_that_one_secondary_cell_does_not_protect():
    # One small cell in a two-way table needs three others: the corners of a rectangle.
    cells = table_system(np.array([[5, 30, 40], [35, 50, 60], [45, 55, 65]]))
    hidden = hide_small_cells(cells)
    assert protected(cells, hidden, whole_numbers=True)
    assert hidden.sum() == 4


@settings(max_examples=12, deadline=None)
@given(st.integers(2, 5), st.integers(2, 5), st.integers(0, 10_000), st.sampled_from([8, 15, 40]))
def test_solver_recovers_nothing_from_random_tables(rows, columns, seed, size):
    table = np.random.default_rng(seed).poisson(size, (rows, columns)) * np.random.default_rng(seed + 1).integers(
        0, 3, (rows, columns)
    )
    cells = table_system(table)
    hidden = hide_small_cells(cells)
    assert not (cells.small & ~hidden).any()
    for position in np.flatnonzero(cells.small):
        low, high = attack(cells, hidden, position)
        assert low <= 1 + 1e-6
        assert high >= 11 - 1e-6
    assert protected(cells, hidden, whole_numbers=True)


def test_a_wrong_sum_or_a_negative_count_is_refused():
    with pytest.raises(ModelError, match="A total is not the sum of its parts"):
        CellSystem.of([1, 2, 4], [(2, (0, 1))])
    with pytest.raises(ModelError, match="A count is negative"):
        CellSystem.of([-1, 2, 1], [(2, (0, 1))])
