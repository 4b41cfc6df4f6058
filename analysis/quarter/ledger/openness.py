"""Which counts a reader may think to be 11 or more: the most that each can be, by linear programs of which each begins where the last ended."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from highspy import Highs, HighsModelStatus, HighsStatus, ObjSense, kHighsInf
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import linprog

from analysis.errors import ModelError
from analysis.statistics.small_counts import LARGEST_HIDDEN

#: Row of the system: factors by variable.
Row = dict[int, float]
#: A reader must not be able to tell that a count is below this.
OPEN = LARGEST_HIDDEN + 1.0
NEAR = 1e-6
#: The primal simplex method, since the last answer stays one that agrees with all that is known; its bounds are left as they
#: are, which takes fewer steps here; one process, since more save nothing.
_OPTIONS = (
    ("solver", "simplex"),
    ("simplex_strategy", 4),
    ("primal_simplex_bound_perturbation_multiplier", 0.0),
    ("presolve", "off"),
    ("parallel", "off"),
)
_ENDS = (HighsModelStatus.kOptimal, HighsModelStatus.kInfeasible)


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

    def row(self, target: int) -> Row:
        """Give one of them."""
        begin, end = self.rows.indptr[target : target + 2]
        return dict(zip(self.rows.indices[begin:end].tolist(), self.rows.data[begin:end].tolist(), strict=True))


class Reader:
    """What a reader knows of the counts, as one linear program that can be asked for the most that a count can be.

    Notes
    -----
    A question changes what is aimed at and nothing else, so that the simplex method goes on from the last answer, a few steps
    away, where a program of its own would begin from nothing. What is shown can be taken back, and variables be added; the last
    answer agrees with all that is known then, too.
    """

    def __init__(self) -> None:
        self._model = _Silent()
        for option, value in _OPTIONS:
            _do(self._model.setOptionValue(option, value))
        _do(self._model.changeObjectiveSense(ObjSense.kMaximize))
        self._aim = np.zeros(0, dtype=np.int32)
        self.n = 0

    def add_variables(self, n: int, limit: float) -> None:
        """Make it ``n`` variables; none of the new ones is thought to be larger than the limit, though she may think it is."""
        more = n - self.n
        _do(self._model.addVars(more, np.zeros(more), np.full(more, limit)))
        self.n = n

    def know(self, rows: Sequence[tuple[Row, float]], *, at_most: bool = False) -> NDArray[np.int32]:
        """Add what is known: sums of counts, or the most that they are; give the numbers by which it can be taken back."""
        lines, right = matrix_of(rows, self.n)
        lines.sort_indices()
        before = self._model.getNumRow()
        least = np.full(len(right), -kHighsInf) if at_most else right
        starts, where = lines.indptr[:-1].astype(np.int32), lines.indices.astype(np.int32)
        _do(self._model.addRows(len(right), least, right, lines.nnz, starts, where, lines.data))
        return np.arange(before, before + len(right), dtype=np.int32)

    def forget(self, known: NDArray[np.int32]) -> None:
        """Take back what was known."""
        for one in known:
            _do(self._model.changeRowBounds(int(one), -kHighsInf, kHighsInf))

    def most(self, row: Row) -> NDArray[np.float64] | None:
        """Find counts that agree with all that is known, of which a sum is as large as it can be.

        Parameters
        ----------
        row : dict of int to float
            Factors by variable.

        Returns
        -------
        numpy.ndarray of float of shape (variables,) or None
            The counts; None where nothing agrees with all that is known.

        Raises
        ------
        ModelError
            Where the program of the counts came to no end.
        """
        aim = np.array([*row], dtype=np.int32)
        _do(self._model.changeColsCost(len(self._aim), self._aim, np.zeros(len(self._aim))))
        _do(self._model.changeColsCost(len(aim), aim, np.array([*row.values()], dtype=float)))
        self._aim = aim
        for begin_again in (False, True):
            if begin_again:
                _do(self._model.clearSolver())
            _do(self._model.run())
            status = self._model.getModelStatus()
            if status in _ENDS:
                break
        if status == HighsModelStatus.kInfeasible:
            return None
        if status != HighsModelStatus.kOptimal:
            raise _no_end(self._model.modelStatusToString(status))
        return np.maximum(np.array(self._model.getSolution().col_value), 0.0)


class _Silent(Highs):
    """A program that says nothing: its first words come as soon as it is made, before it can be told."""

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]

    def enableCallbacks(self) -> None:
        self.silent()
        super().enableCallbacks()  # type: ignore[no-untyped-call]


def cheapest_to_hide(
    target: Row,
    shown: Sequence[tuple[Row, float]],
    cost: NDArray[np.float64],
    equal: Sequence[tuple[Row, float]],
    at_most: Sequence[tuple[Row, float]],
    n: int,
) -> NDArray[np.bool_] | None:
    """Find the shown counts to hide at the least cost so that a count may be 11.

    Parameters
    ----------
    target : dict of int to float
        The count, as a sum of variables.
    shown : sequence of (dict of int to float, float)
        Counts that could be hidden, and their values.
    cost : numpy.ndarray of shape (shown,)
        How much one would rather keep each.
    equal, at_most : sequence of (dict of int to float, float)
        What is known all the same.
    n : int
        Variables.

    Returns
    -------
    numpy.ndarray of bool of shape (shown,) or None
        Those to hide; None where hiding all of them would not do.
    """
    (a, right), (b, limit), (cells, values) = matrix_of(equal, n), matrix_of(at_most, n), matrix_of(shown, n)
    aim, _ = matrix_of([(target, 0.0)], n)
    k = len(shown)
    apart = sparse.eye_array(k)
    away = [sparse.hstack([cells, -apart]), sparse.hstack([-cells, -apart])]
    found = linprog(  # type: ignore[call-overload]
        np.concatenate([np.zeros(n), cost]),
        A_eq=_wider(a, k), b_eq=right,
        A_ub=sparse.vstack([_wider(b, k), _wider(-aim, k), *away], format="csr"),
        b_ub=np.concatenate([limit, [-OPEN], values, -values]),
    )  # fmt: skip
    return None if found.x is None else np.asarray(found.x[n:] > NEAR)


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


def _wider(rows: sparse.csr_array, k: int) -> sparse.csr_array:
    return sparse.hstack([rows, sparse.csr_array((rows.shape[0], k))], format="csr")


def _do(status: HighsStatus) -> None:
    """Stop where a step of the linear program was not taken."""
    if status == HighsStatus.kError:
        raise _no_end("a step was refused")


def _no_end(reason: str) -> ModelError:
    return ModelError(
        "It cannot be told whether earlier releases and this one together give small counts away, so nothing is released.",
        where=f"linear program of the counts of all releases: {reason}",
        what_to_do="Make the release with fewer indicators or over longer windows, and report this message.",
    )
