"""Which counts a reader may think to be 11 or more: found by moving a few quantities at a time, then all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import linprog

from analysis.statistics.small_counts import LARGEST_HIDDEN

#: A row of the system: factors by variable.
Row = dict[int, float]
#: A reader must not be able to tell that a count is below this.
OPEN = LARGEST_HIDDEN + 1.0
_NEAR = 1e-6
#: Counts that are looked at in one linear program: first many, then few, then one, since few can be 11 at the same time.
_MANY, _FEW, _ONE = 300, 20, 1
#: Where more than this share of them is left, they are looked at fewer at a time.
_HARDLY_FEWER = 0.8
#: So many of the solutions are kept.
MOST_WAYS = 600


@dataclass(frozen=True)
class Targets:
    """Counts that must stay open: factors by variable, one row a count, and whether each may be known to be none."""

    rows: sparse.csr_array
    none: NDArray[np.bool_]

    @classmethod
    def of(cls, found: Sequence[tuple[Row, bool]], n: int) -> Targets:
        """Make them of rows of a system of ``n`` variables."""
        rows, _ = matrix_of([(row, 0.0) for row, _ in found], n)
        return cls(rows, np.array([none for _, none in found], dtype=bool))


@dataclass(frozen=True)
class Families:
    """Variables that are moved together before all are: of quantities that sums join, and of a site with the largest ones."""

    quantities: Sequence[NDArray[np.intp]] = ()
    sites: Sequence[NDArray[np.intp]] = ()


@dataclass
class Reader:
    """What a reader knows of the counts, and a way in which the counts can be that agrees with it.

    All that is known is ``equal`` @ x = ``right``, ``at_most`` @ x <= ``limit``, and that no count is negative; ``point`` is
    such an x. Whatever a program finds that holds some variables fast at a point agrees with all that is known too: a count
    that is 11 there may be 11 for the reader, who knows no more. So counts are left out after a program of a few variables, and
    every solution is held against all counts; but a count is called closed only by the program of all variables that
    are joined to it by what is not known. No constraint is dropped anywhere.
    """

    equal: sparse.csr_array
    right: NDArray[np.float64]
    at_most: sparse.csr_array
    limit: NDArray[np.float64]
    point: NDArray[np.float64]
    #: Ways in which the counts can be that programs found.
    found: list[NDArray[np.float64]] = field(default_factory=list)
    #: The counts that are known to be none.
    none: list[int] = field(default_factory=list)

    def closed(
        self, targets: Targets, todo: NDArray[np.intp], families: Families, most: int
    ) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Find counts that a reader knows to be below 11; those that may be 11 or more, or may be known to be none, are left out.

        Parameters
        ----------
        targets : Targets
            The counts.
        todo : numpy.ndarray of int
            Those to look at.
        families : Families
            Variables that are moved together.
        most : int
            So many closed counts are enough.

        Returns
        -------
        tuple of numpy.ndarray of int
            Closed counts, and those that were not looked at to the end; both empty where all are open.
        """
        fixed = self._fixed()
        todo = self._not_open(targets, todo, self.point)
        known = np.asarray(abs(targets.rows[todo]) @ ~fixed) == 0
        nothing = known & targets.none[todo] & (np.abs(targets.rows[todo] @ self.point) < _NEAR)
        self.none += todo[nothing].tolist()
        todo, known = todo[~nothing], known[~nothing]
        if known.any():
            return todo[known][:most], np.concatenate([todo[known][most:], todo[~known]])
        components = self._components(targets.rows[todo], ~fixed)
        whole = {tuple(one) for one in components}
        for family in families.quantities:
            free = family[~fixed[family]]
            if tuple(free) not in whole:
                todo, _ = self._look(targets, todo, free, (_MANY, _FEW))
        for component in components:
            todo = self._without_none(targets, todo, todo[self._inside(targets, component)[todo]], component)
            todo, _ = self._look(targets, todo, component, (_MANY, _FEW))
        for family in families.sites:
            todo, _ = self._look(targets, todo, family[~fixed[family]], (_FEW, _ONE))
        found: list[NDArray[np.intp]] = []
        for component in components:
            todo, closed = self._look(targets, todo, component, (_ONE,), most - sum(map(len, found)))
            found.append(closed)
            if sum(map(len, found)) >= most:
                break
        return np.concatenate([todo[:0], *found]), todo

    def _components(self, rows: sparse.csr_array, free: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
        """Part the free variables so that no constraint and no count to look at joins two parts."""
        place = np.flatnonzero(free)
        joined = sparse.vstack([self.equal, self.at_most, rows], format="csr")[:, place]
        n = len(place)
        graph = sparse.block_array([[None, abs(joined).T], [abs(joined), None]], format="csr")
        _, label = sparse.csgraph.connected_components(graph, directed=False)
        order = np.argsort(label[:n], kind="stable")
        cuts = np.flatnonzero(np.diff(label[:n][order])) + 1
        return [place[one] for one in np.split(order, cuts)] if n else []

    def _look(
        self, targets: Targets, todo: NDArray[np.intp], moving: NDArray[np.intp], steps: Sequence[int], most: int = 0
    ) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Leave out what is open of the counts that the moving variables are in; give those that are left, and closed ones.

        ``steps`` are the counts looked at at once. Only where nothing else can move is a count called closed, ``most`` of them.
        """
        inside, closed = self._inside(targets, moving), list[int]()
        for at_once in steps:
            stuck = np.zeros(len(inside), dtype=bool)
            todo = todo[np.argsort(targets.rows[todo] @ self.point, kind="stable")]  # the least open ones first
            while len(closed) < max(1, most) and len(some := todo[inside[todo] & ~stuck[todo]]):
                part = some[:: -(-len(some) // at_once)]  # neighbours share a sum and are seldom 11 at the same time
                moved = self._moved(targets, part, moving)
                todo = self._not_open(targets, todo, moved)
                if len(self.found) < MOST_WAYS:
                    self.found.append(moved)
                self.point = (self.point + moved) / 2  # all that is known is linear, so it holds between two points
                still = part[np.isin(part, todo)]
                if len(still) > _HARDLY_FEWER * len(part):
                    stuck[still] = True
                    closed += still.tolist() if most else []
        return todo[~np.isin(todo, closed)], np.array(closed, dtype=np.intp)

    def _inside(self, targets: Targets, moving: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Say which counts have a moving variable."""
        return np.asarray(abs(targets.rows) @ np.isin(np.arange(len(self.point)), moving)) > 0

    def cheapest(
        self,
        target: sparse.csr_array,
        cells: sparse.csr_array,
        values: NDArray[np.float64],
        cost: NDArray[np.float64],
    ) -> NDArray[np.bool_] | None:
        """Find the shown counts (rows of ``cells``) to hide at the least cost so that the target may be 11; None where none would."""
        n, k = len(self.point), cells.shape[0]
        apart = sparse.eye_array(k)
        away = [sparse.hstack([cells, -apart]), sparse.hstack([-cells, -apart])]
        found = linprog(  # type: ignore[call-overload]
            np.concatenate([np.zeros(n), cost]),
            A_eq=_wider(self.equal, k), b_eq=self.right,
            A_ub=sparse.vstack([_wider(self.at_most, k), _wider(-target, k), *away], format="csr"),
            b_ub=np.concatenate([self.limit, [-OPEN], values, -values]),
        )  # fmt: skip
        return None if found.x is None else np.asarray(found.x[n:] > _NEAR)

    def _not_open(self, targets: Targets, todo: NDArray[np.intp], point: NDArray[np.float64]) -> NDArray[np.intp]:
        return todo[targets.rows[todo] @ point < OPEN - _NEAR]

    def _fixed(self) -> NDArray[np.bool_]:
        """Say which variables are known: each is the only unknown one of a sum, or one of several that add up to nothing."""
        free = np.ones(len(self.point), dtype=bool)
        pattern = abs(self.equal).sign()
        signed = self.equal.sign()
        while True:
            unknown = pattern @ free.astype(float)
            alike = np.abs(signed @ free.astype(float)) == unknown
            rest = np.abs(self.equal @ np.where(free, self.point, 0.0))
            rows = (unknown == 1) | ((unknown > 1) & alike & (rest < _NEAR))
            if not rows.any():
                return ~free
            free &= np.asarray(pattern.T @ rows.astype(float)) == 0

    def _without_none(
        self, targets: Targets, todo: NDArray[np.intp], some: NDArray[np.intp], moving: NDArray[np.intp]
    ) -> NDArray[np.intp]:
        """Leave out those of some counts that are known to be none: all others can be a little above zero at the same time."""
        may = some[targets.none[some]]
        may = may[targets.rows[may] @ self.point < _NEAR]
        if not len(may):
            return todo
        little = 0.5 / len(may)
        none = may[targets.rows[may] @ self._moved(targets, may, moving, little) < little / 2]
        self.none += none.tolist()
        return todo[~np.isin(todo, none)]

    def _moved(
        self, targets: Targets, wanted: NDArray[np.intp], moving: NDArray[np.intp], reach: float = OPEN
    ) -> NDArray[np.float64]:
        """Find a point that differs in the moving variables only, with as much of the wanted counts up to ``reach`` as can be."""
        held = self.point.copy()
        held[moving] = 0.0
        equal, right = _touched(self.equal[:, moving], self.right - self.equal @ held)
        at_most, limit = _touched(self.at_most[:, moving], self.limit - self.at_most @ held)
        rows = targets.rows[wanted]
        n, k = len(moving), len(wanted)
        below = sparse.hstack([-rows[:, moving], sparse.eye_array(k)], format="csr")
        found = linprog(  # type: ignore[call-overload]
            np.concatenate([np.zeros(n), -np.ones(k)]),
            A_eq=_wider(equal, k), b_eq=right,
            A_ub=sparse.vstack([_wider(at_most, k), below], format="csr"), b_ub=np.concatenate([limit, rows @ held]),
            bounds=np.concatenate([np.tile([0.0, np.inf], (n, 1)), np.tile([-np.inf, reach], (k, 1))]),
        )  # fmt: skip
        if found.x is None:
            return self.point
        held[moving] = np.maximum(found.x[:n], 0.0)
        return held


def matrix_of(rows: Sequence[tuple[Row, float]], width: int) -> tuple[sparse.csr_array, NDArray[np.float64]]:
    """Give rows as a matrix, and their right sides."""
    at = [i for i, (row, _) in enumerate(rows) for _ in row]
    columns = [place for row, _ in rows for place in row]
    factors = [factor for row, _ in rows for factor in row.values()]
    sides = np.array([right for _, right in rows], dtype=float)
    return sparse.csr_array((factors, (at, columns)), shape=(len(rows), width), dtype=float), sides


def as_key(row: Row) -> tuple[tuple[int, float], ...]:
    """Give a row as a key."""
    return tuple(sorted(row.items()))


def less(one: Row, other: Row) -> Row:
    """Take one count from another; what they share is in neither."""
    return {key: 1.0 for key in one if key not in other} | {key: -1.0 for key in other if key not in one}


def _touched(rows: sparse.csr_array, right: NDArray[np.float64]) -> tuple[sparse.csr_array, NDArray[np.float64]]:
    """Leave out the rows without a moving variable."""
    there = np.diff(rows.indptr) > 0
    return rows[there], right[there]


def _wider(rows: sparse.csr_array, k: int) -> sparse.csr_array:
    return sparse.hstack([rows, sparse.csr_array((rows.shape[0], k))], format="csr")
