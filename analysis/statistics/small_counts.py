"""Small cells hidden, with others beside them, so that no reader can compute them back from what is shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from analysis.errors import ModelError
from analysis.progress import in_portions

#: Counts that are not shown, ends included (CMS cell suppression policy).
SMALLEST_HIDDEN, LARGEST_HIDDEN = 1, 10
#: A sum agrees with its parts to this: counts are whole, what solvers and aggregates give is nearly so.
_NEAR = 1e-6
#: Of two cells that serve alike the smaller one is hidden: what a count adds to the cost of a cell, by its logarithm.
_SMALLER_FIRST = 1e-3
#: What is hidden already costs next to nothing, though of two ways through such cells the shorter is taken.
_HIDDEN_ALREADY = 1e-4


def is_small(value: float) -> bool:
    """Say whether a count must not be shown.

    Examples
    --------
    >>> is_small(10.0), is_small(11.0), is_small(0.0)
    (True, False, False)
    """
    return SMALLEST_HIDDEN - _NEAR <= value <= LARGEST_HIDDEN + _NEAR


@dataclass(frozen=True, eq=False)
class CellSystem:
    """Counts, and the sums between them that a reader knows.

    Parameters
    ----------
    values : numpy.ndarray of shape (cells,)
        The counts; never negative.
    equations : scipy.sparse.csr_array of shape (equations, cells)
        Each row times the values is zero: a total minus its parts.
    released : numpy.ndarray of bool of shape (cells,)
        Whether the cell would be shown; the others are known to nobody but still protected.
    whole : numpy.ndarray of bool of shape (cells,)
        Whether the cell is a count of patients or events, which is protected where it is small. Other cells only
        stand for what a reader knows, for example that a share was above a floor.
    cost : numpy.ndarray of shape (cells,)
        How much one would rather keep the cell.

    Examples
    --------
    >>> cells = CellSystem.of([4, 25, 31, 60], [(3, (0, 1, 2))])
    >>> hide_small_cells(cells).tolist()
    [True, True, False, False]
    """

    values: NDArray[np.float64]
    equations: sparse.csr_array
    released: NDArray[np.bool_]
    whole: NDArray[np.bool_]
    cost: NDArray[np.float64]

    @classmethod
    def of(
        cls,
        values: ArrayLike,
        sums: Sequence[tuple[int, Sequence[int]]],
        *,
        released: ArrayLike | None = None,
        whole: ArrayLike | None = None,
        cost: ArrayLike | None = None,
        more: Sequence[Mapping[int, float]] = (),
    ) -> CellSystem:
        """Make a system from counts and sums.

        Parameters
        ----------
        values : array_like of shape (cells,)
            The counts.
        sums : sequence of (int, sequence of int)
            Position of a total, and of its parts.
        released, whole, cost : array_like, optional
            As of the class; by default every cell is shown, is a count, and costs 1, a total 3.
        more : sequence of mapping of int to float
            Further equations: position and factor of each cell; factors times cells add up to zero.

        Returns
        -------
        CellSystem
            The system.

        Raises
        ------
        ModelError
            A count is negative, or a total is not the sum of its parts.
        """
        counts = np.asarray(values, dtype=float)
        known = [{total: 1.0, **dict.fromkeys(parts, -1.0)} for total, parts in sums] + [dict(one) for one in more]
        rows = [row for row, one in enumerate(known) for _ in one]
        columns = [position for one in known for position in one]
        factors = [factor for one in known for factor in one.values()]
        equations = sparse.csr_array((factors, (rows, columns)), shape=(len(known), len(counts)))
        away = np.abs(equations @ counts) if len(known) else np.zeros(0)
        if (counts < 0).any() or (away > _NEAR).any():
            raise ModelError(
                "A count is negative." if (counts < 0).any() else "A total is not the sum of its parts.",
                where="counts of the report",
                what_to_do="Correct the counts.",
            )
        usual = np.ones(len(counts))
        usual[[total for total, _ in sums]] = 3.0
        usual += _SMALLER_FIRST * np.log1p(counts)
        every = np.ones(len(counts), dtype=bool)
        return cls(
            counts,
            equations,
            every if released is None else np.asarray(released, dtype=bool),
            every if whole is None else np.asarray(whole, dtype=bool),
            usual if cost is None else np.asarray(cost, dtype=float),
        )

    @property
    def small(self) -> NDArray[np.bool_]:
        """Whether each cell is a count from 1 to 10."""
        return self.whole & (self.values >= SMALLEST_HIDDEN - _NEAR) & (self.values <= LARGEST_HIDDEN + _NEAR)


def hide_small_cells(cells: CellSystem, *, tell: Callable[[int, int], None] | None = None) -> NDArray[np.bool_]:
    """Choose the cells to hide: every count from 1 to 10, and others, so that none can be computed back.

    For each small count the reader's bounds, from everything shown, are made to hold every value from 1 to 11 at
    least: what is shown then says no more about it than the policy itself, that it is small or beside a small one.
    The sum of hidden cells that a reader can compute is above 10 for the same reason.

    Parameters
    ----------
    cells : CellSystem
        The counts with the sums between them.
    tell : callable, optional
        Told of the small counts dealt with and their total.

    Returns
    -------
    numpy.ndarray of bool of shape (cells,)
        Whether each cell is hidden. Cells that were not to be released count as hidden.

    Notes
    -----
    For each small count a linear program finds the cheapest way to raise it to 11, and to lower it to 1, that keeps
    every sum; the cells it has to move are hidden (Kelly, Golden and Assad, Networks 1992;22:397, from memory). What
    was found stays a possible table for the reader, so the protection is by construction.
    Rule: no cell of 1 to 10 shown and none derivable; zero may be shown (CMS cell size suppression policy).
    """
    hidden = ~cells.released | cells.small
    small = np.flatnonzero(cells.small)
    small = small[np.argsort(cells.values[small], kind="stable")]
    steps = [(int(cell), reach) for reach in (LARGEST_HIDDEN + 1.0, float(SMALLEST_HIDDEN)) for cell in small]
    todo = [(cell, reach) for cell, reach in steps if abs(cells.values[cell] - reach) > _NEAR]
    total = max(1, len(todo))
    for _ in in_portions(total, 1, "hiding small counts", None if tell is None else lambda _, __: None):
        for reach in (LARGEST_HIDDEN + 1.0, float(SMALLEST_HIDDEN)):
            todo = _without_reached(cells, hidden, todo, reach)
        if tell is not None:
            tell(total - len(todo), total)
        if not todo:
            break
        target, reach = todo.pop(0)
        hidden |= np.abs(_cheapest_move(cells, hidden, target, reach)) > _NEAR
    return hidden


def _without_reached(
    cells: CellSystem, hidden: NDArray[np.bool_], todo: list[tuple[int, float]], reach: float
) -> list[tuple[int, float]]:
    """Leave out the counts that can be moved as far as they must while everything shown stays: many at a time."""
    while True:
        wanted = np.array([cell for cell, far in todo if far == reach], dtype=int)
        if not len(wanted):
            return todo
        moved = _furthest_move(cells, hidden, wanted, reach)
        done = set(wanted[np.abs(cells.values[wanted] + moved[wanted] - reach) < _NEAR].tolist())
        if not done:
            return todo
        todo = [(cell, far) for cell, far in todo if far != reach or cell not in done]


def _furthest_move(
    cells: CellSystem, hidden: NDArray[np.bool_], wanted: NDArray[np.intp], reach: float
) -> NDArray[np.float64]:
    """Find changes of hidden cells that keep every sum and bring the cells wanted as near to ``reach`` as can be."""
    free = np.flatnonzero(hidden)
    place = np.searchsorted(free, wanted)
    lowest, highest = -cells.values[free], np.full(len(free), np.inf)
    aim = np.zeros(len(free))
    up = reach > LARGEST_HIDDEN
    bound = reach - cells.values[wanted]
    if up:
        highest[place] = bound
    else:
        lowest[place] = bound
    aim[place] = -1.0 if up else 1.0
    sums = LinearConstraint(cells.equations[:, free], 0, 0)
    found = milp(aim, integrality=np.zeros(len(free), dtype=int), bounds=Bounds(lowest, highest), constraints=sums)
    moved = np.zeros(len(hidden))
    if found.x is None:
        return moved
    moved[free] = found.x
    return np.zeros(len(hidden)) if _not_whole(moved, cells.whole) else moved


def reader_bounds(
    cells: CellSystem, hidden: NDArray[np.bool_], position: int, *, whole_numbers: bool = False
) -> tuple[float, float]:
    """Give the smallest and largest value of a cell that agree with everything shown: what an attacker can find out.

    Parameters
    ----------
    cells : CellSystem
        The counts with the sums between them.
    hidden : numpy.ndarray of bool of shape (cells,)
        Cells that are not shown.
    position : int
        The cell.
    whole_numbers : bool
        Whether counts are taken as whole numbers, which is the sharper attack and the slower one.

    Returns
    -------
    tuple of float
        Bounds; the second is infinite where nothing limits it.

    Examples
    --------
    >>> cells = CellSystem.of([4, 25, 31, 60], [(3, (0, 1, 2))])
    >>> reader_bounds(cells, np.array([True, True, False, False]), 0)
    (0.0, 29.0)
    """
    least = np.where(hidden, 0.0, cells.values)
    most = np.where(hidden, np.inf, cells.values)
    found = []
    for sign in (1.0, -1.0):
        aim = np.zeros(len(cells.values))
        aim[position] = sign
        sums = LinearConstraint(cells.equations, 0.0, 0.0) if cells.equations.shape[0] else ()
        kind = cells.whole.astype(int) if whole_numbers else np.zeros(len(aim), dtype=int)
        answer = milp(aim, integrality=kind, bounds=Bounds(least, most), constraints=sums)
        found.append(float(answer.x[position]) if answer.x is not None else sign * -np.inf)
    return found[0] + 0.0, found[1] + 0.0


def _cheapest_move(cells: CellSystem, hidden: NDArray[np.bool_], target: int, reach: float) -> NDArray[np.float64]:
    """Find changes of the cells, the target to ``reach``, that keep every sum and move what one would rather hide."""
    n = len(cells.values)
    cost = np.where(hidden, _HIDDEN_ALREADY, cells.cost)
    lowest, highest = np.zeros(2 * n), np.full(2 * n, np.inf)
    highest[n:] = cells.values
    change = reach - cells.values[target]
    lowest[target] = highest[target] = max(change, 0.0)
    lowest[n + target] = highest[n + target] = max(-change, 0.0)
    sums = LinearConstraint(sparse.hstack([cells.equations, -cells.equations], format="csr"), 0, 0)
    limits, nothing = Bounds(lowest, highest), np.zeros(2 * n, dtype=int)
    found = milp(np.tile(cost, 2), integrality=nothing, bounds=limits, constraints=sums)
    if found.x is not None and _not_whole(found.x[:n] - found.x[n:], cells.whole):
        kind = np.tile(cells.whole, 2).astype(int)
        found = milp(np.tile(cost, 2), integrality=kind, bounds=limits, constraints=sums)
    if found.x is None:
        raise ModelError(
            "The counts cannot be protected: a small one follows from what the report must say.",
            where=f"count {target} of {n}",
            what_to_do="Show fewer sums, or join small sites or periods.",
        )
    return np.asarray(found.x[:n] - found.x[n:], dtype=float)


def _not_whole(moved: NDArray[np.float64], whole: NDArray[np.bool_]) -> bool:
    return bool((np.abs(moved[whole] - np.round(moved[whole])) > _NEAR).any())
