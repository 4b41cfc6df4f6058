"""A reader of a table who knows every sum: what a solver finds out about hidden counts."""

import numpy as np
from scipy.optimize import linprog

from analysis.statistics.small_counts import reader_bounds


def attack(cells, hidden, position):
    """Bound a hidden cell by linear programs of its own: an independent way, with dense matrices."""
    unknown = np.flatnonzero(hidden)
    matrix = cells.equations.toarray()
    right = -matrix[:, ~hidden] @ cells.values[~hidden]
    aim = (unknown == position).astype(float)
    found = [linprog(sign * aim, A_eq=matrix[:, unknown], b_eq=right, bounds=(0, None)) for sign in (1, -1)]
    assert found[0].status == 0
    return found[0].fun, -found[1].fun if found[1].status == 0 else np.inf


def protected(cells, hidden, *, whole_numbers=False):
    """Return whether no count from 1 to 10 is shown and each hidden one could be anything from 1 to 11."""
    if (cells.small & ~hidden).any():
        return False
    bounds = [reader_bounds(cells, hidden, i, whole_numbers=whole_numbers) for i in np.flatnonzero(cells.small)]
    return all(low <= 1 + 1e-6 and high >= 11 - 1e-6 for low, high in bounds)
