"""What a new release must hide so that no reader of it and of all earlier ones can tell a small count."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.progress import in_portions
from analysis.quarter.ledger.openness import NEAR, OPEN, Reader, Row, Targets, as_key, cheapest_to_hide, less
from analysis.quarter.ledger.single_quarters import SingleQuarters
from analysis.quarter.ledger.system import Cell, JoinedReleases, Version
from analysis.statistics.small_counts import is_small

if TYPE_CHECKING:
    from analysis.quarter.counts import QuarterCounts
    from analysis.quarter.ledger.entries import Place, Release


#: So many counts are looked at together before each is by itself.
_TOGETHER = 4


@dataclass(frozen=True)
class Protected:
    """What a new release may show beside the earlier ones.

    Attributes
    ----------
    shown : numpy.ndarray of bool of shape (cells,)
        The counts that may be shown.
    floors : bool
        Whether it may be said if floors are reached.
    told : int
        Counts that earlier releases tell by themselves, whatever the new one hides.
    """

    shown: NDArray[np.bool_]
    floors: bool
    told: int


def hide_beside_earlier(
    counts: QuarterCounts,
    cells: Sequence[Cell],
    shown: NDArray[np.bool_],
    cost: NDArray[np.float64],
    earlier: Sequence[Release],
    *,
    floors: Sequence[tuple[str, str, float, bool]] = (),
    quarter: str = "",
    tell: Callable[[int, int], None] | None = None,
) -> Protected:
    """Choose the counts of a new release to hide because of what earlier ones showed.

    Parameters
    ----------
    counts : QuarterCounts
        The counts as they are.
    cells : sequence of Cell
        The counts of the new release.
    shown : numpy.ndarray of bool of shape (cells,)
        Those that would be shown.
    cost : numpy.ndarray of shape (cells,)
        How much one would rather keep each.
    earlier : sequence of Release
        The releases before.
    floors : sequence of (str, str, float, bool)
        What the new release says of floors in the quarter: numerator, denominator, floor, whether it is reached.
    quarter : str
        The quarter reported.
    tell : callable, optional
        Told of the counts dealt with and their total.

    Returns
    -------
    Protected
        What may be shown.

    Notes
    -----
    Protected are the small counts (1 to 10) of the new release, of every period, site and block of periods, those that
    earlier releases hid, and the changes of counts shown before, since 46 of 99 after 42 of 90 tells of nine patients.
    A linear program finds whether a reader can think each to be 11 (:mod:`analysis.quarter.ledger.openness`); where that cannot be,
    another one finds the counts that are hidden at the least cost so that it can.
    """
    system = JoinedReleases(counts, cells, earlier)
    said = [system.floor(one, quarter, system.now) for one in floors]
    release = _NewRelease(system, cells, shown & ~_changed_by_few(cells, earlier), cost, said, tell)
    single = SingleQuarters(system)
    single.see(system.point)
    release.hide(_protected(system, cells, earlier), single.see)
    if left := single.not_open(release.none):
        release.hide(left)
    return Protected(release.kept, bool(release.said) or not said, release.told)


@dataclass
class _NewRelease:
    """What is left of a new release: the counts kept, what it says of floors, and counts that earlier releases tell."""

    system: JoinedReleases
    cells: Sequence[Cell]
    kept: NDArray[np.bool_]
    cost: NDArray[np.float64]
    said: list[tuple[Row, float]]
    tell: Callable[[int, int], None] | None
    told: int = 0
    none: set[tuple[tuple[int, float], ...]] = field(default_factory=set)

    def __post_init__(self) -> None:
        system = self.system
        rows = [(system.row(one.quantity, one.place, system.now), one.value) for one in self.cells]
        self._at = np.array([i for i, (row, _) in enumerate(rows) if row and self.kept[i]], dtype=np.intp)
        self._rows = [rows[i] for i in self._at]
        largest = max([0.0, *system.point, *(value for _, value in rows), *(value for _, value in system.known)])
        self._reader = Reader()
        self._equal, self._at_most = 0, 0
        self._learn(2.0 * largest + OPEN)
        self._reader.know(system.known)
        self._shown = self._reader.know(self._rows)
        self._floors = self._reader.know(self.said, at_most=True)

    def _learn(self, limit: float) -> None:
        """Tell the reader of variables and sums that are new in the system."""
        system = self.system
        self._reader.add_variables(system.n, limit)
        self._reader.know(system.equal[self._equal :])
        self._reader.know(system.at_most[self._at_most :], at_most=True)
        self._equal, self._at_most = len(system.equal), len(system.at_most)

    def hide(self, found: Sequence[tuple[Row, bool]], see: Callable[[NDArray[np.float64]], None] | None = None) -> None:
        """Hide counts until all those found are open; show ways in which the counts can be, and keep which are known to be none."""
        self._learn(OPEN)
        targets = Targets.of(found, self.system.n)
        todo = _Todo(self._reader, targets, see)
        self.none |= {as_key(targets.row(int(i))) for i in todo.leave_out_none()}
        far_apart = np.argsort(np.arange(len(found)) % -(-len(found) // _TOGETHER), kind="stable")
        for begin, end in in_portions(len(found), _TOGETHER, "checking against earlier releases", self.tell):
            todo.look(some := far_apart[begin:end])
            for one in some:
                while todo.left[one] and not todo.look(np.array([one])):
                    if not self._open(targets.row(one)):
                        self.told += 1
                        todo.left[one] = False

    def _open(self, target: Row) -> bool:
        """Hide what costs least so that a count may be 11, or say nothing of floors; say whether there was something to hide."""
        system = self.system
        kept = np.flatnonzero(self.kept[self._at])
        shown = [self._rows[i] for i in kept]
        cost = self.cost[self._at[kept]]
        known = [*system.equal, *system.known]
        hidden = cheapest_to_hide(target, shown, cost, known, [*system.at_most, *self.said], system.n)
        if hidden is not None and hidden.any():
            self.kept[self._at[kept[hidden]]] = False
            self._reader.forget(self._shown[kept[hidden]])
            return True
        if self.said:
            self.said = []
            self._reader.forget(self._floors)
            return True
        return False


@dataclass
class _Todo:
    """The counts of which it is not yet found that they may be 11 or more."""

    reader: Reader
    targets: Targets
    see: Callable[[NDArray[np.float64]], None] | None

    def __post_init__(self) -> None:
        self.left = np.ones(len(self.targets.none), dtype=bool)

    def look(self, some: NDArray[np.intp]) -> bool:
        """Make some of them as large as they can be together; say whether none of them is left."""
        some = some[self.left[some]]
        if len(some):
            self._most(some)
        return not self.left[some].any()

    def leave_out_none(self) -> NDArray[np.intp]:
        """Give those that are known to be none and may be known to be, and leave them out: their sum can be nothing else."""
        none = np.flatnonzero(self.targets.none)
        while len(none):
            reached = self._most(none)
            if reached is None or (reached <= NEAR).all():
                break
            none = none[reached <= NEAR]
        self.left[none] = False
        return none

    def _most(self, some: NDArray[np.intp]) -> NDArray[np.float64] | None:
        """Find the way in which their sum is largest, and leave out all that are 11 there; give what those asked for are."""
        total = self.targets.rows[some].sum(axis=0)
        way = self.reader.most({int(i): float(total[i]) for i in np.flatnonzero(total)})
        if way is None:
            return None
        if self.see is not None:
            self.see(way)
        reached = np.asarray(self.targets.rows @ way)
        self.left &= reached < OPEN - NEAR
        return reached[some]


def _changed_by_few(cells: Sequence[Cell], earlier: Sequence[Release]) -> NDArray[np.bool_]:
    """Say which counts differ by 1 to 10 from what was shown before: shown again they would tell of so few patients."""
    before: dict[tuple[str, Place], set[float]] = {}
    for entry in earlier:
        for place, found in entry.shown.items():
            for name, value in found.items():
                before.setdefault((name, place), set()).add(value)
    return np.array(
        [any(is_small(abs(one.value - was)) for was in before.get((one.quantity, one.place), ())) for one in cells]
    )


def _protected(system: JoinedReleases, cells: Sequence[Cell], earlier: Sequence[Release]) -> list[tuple[Row, bool]]:
    """Give the counts that must stay open, and whether each may be known to be none: what late data added, or a count before."""
    found: dict[tuple[tuple[int, float], ...], tuple[Row, bool]] = {}

    def protect(row: Row, *, none: bool = False) -> None:
        if row:
            found.setdefault(as_key(row), (row, none))

    for cell in cells:
        if is_small(cell.value):
            protect(system.row(cell.quantity, cell.place, system.now))
    atoms = list(system.atoms())
    for quantity, place in atoms:
        if is_small(system.true(quantity, place)):
            protect(system.row(quantity, place, system.now))
    older: list[tuple[Release, Version]] = []
    for entry, version in zip(earlier, system.of_release, strict=True):
        for place, names in entry.hidden.items():
            for name in names:
                protect(system.row(name, place, version), none=True)
        if version is system.now:
            continue
        places = dict.fromkeys([*entry.shown, *entry.hidden, *(one.place for one in cells)])
        named = dict.fromkeys(name for name, _ in version.periods)
        grew = {name: system.only_grew(entry, name) for name in named}
        for name, place in dict.fromkeys([*((name, place) for name in named for place in places), *atoms]):
            before, now = system.row(name, place, version), system.row(name, place, system.now)
            protect(before, none=True)
            if not before:
                continue
            if grew.get(name):
                protect(less(now, before), none=True)
                nearest = ((row, of) for of, one in reversed(older) if (row := system.row(name, place, one)))
                row, of = next(nearest, ({}, entry))
                if row and system.only_grew(of, name):
                    protect(less(before, row), none=True)
                continue
            change = system.true(name, place) - system.told(entry).get(place, {}).get(name, np.nan)
            if is_small(abs(change)):
                protect(less(now, before) if change > 0 else less(before, now))
        older = [one for one in older if one[1] is not version] + [(entry, version)]
    return list(found.values())
