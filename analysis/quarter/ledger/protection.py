"""What a new release must hide so that no reader of it and of all earlier ones can tell a small count."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from analysis.progress import in_portions
from analysis.quarter.ledger.openness import MOST_WAYS, Reader, Row, Targets, as_key, less, matrix_of
from analysis.quarter.ledger.single_quarters import single_quarters
from analysis.quarter.ledger.system import Cell, JoinedReleases, Version
from analysis.statistics.small_counts import is_small

if TYPE_CHECKING:
    from analysis.quarter.counts import QuarterCounts
    from analysis.quarter.ledger.entries import Place, Release


#: So many counts at most are looked for before something is hidden, which may open many.
_MOST_AT_ONCE = 64


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
    Linear programs find whether a reader can think each to be 11 (:mod:`analysis.quarter.ledger.openness`); where that cannot be,
    another one finds the counts that are hidden at the least cost so that it can.
    """
    system = JoinedReleases(counts, cells, earlier)
    said = [system.floor(one, quarter, system.now) for one in floors]
    release = _NewRelease(system, cells, shown & ~_changed_by_few(cells, earlier), cost, said, tell)
    release.hide(_protected(system, cells, earlier))
    if single := single_quarters(system, np.array([system.point, *release.ways]), release.none):
        release.hide(single)
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
    ways: list[NDArray[np.float64]] = field(default_factory=list)
    none: set[tuple[tuple[int, float], ...]] = field(default_factory=set)

    def hide(self, found: Sequence[tuple[Row, bool]]) -> None:
        """Hide counts until all those found are open; keep ways in which the counts can be, and which are known to be none."""
        system = self.system
        rows = [(system.row(one.quantity, one.place, system.now), one.value) for one in self.cells]
        lines, values = matrix_of(rows, system.n)
        empty = np.diff(lines.indptr) == 0
        targets, families = Targets.of(found, system.n), system.families()
        equal, right = matrix_of([*system.equal, *system.known], system.n)
        todo, total, most = np.arange(len(found)), max(1, len(found)), 1
        point = np.concatenate([system.point, np.zeros(system.n - len(system.point))])
        quiet = None if self.tell is None else lambda _, __: None
        for _ in in_portions(total, 1, "checking against earlier releases", quiet):
            facts = self.kept & ~empty
            before = Reader(equal, right, *matrix_of([*system.at_most, *self.said], system.n), point)
            reader = replace(
                before,
                equal=sparse.vstack([equal, lines[facts]], format="csr"),
                right=np.concatenate([right, values[facts]]),
            )
            closed, todo = reader.closed(targets, todo, families, most)
            point = reader.point
            self.ways += reader.found[: max(0, MOST_WAYS - len(self.ways))]
            self.none |= {as_key(found[i][0]) for i in reader.none}
            if self.tell is not None:
                self.tell(total - len(todo) - len(closed), total)
            if not len(closed):
                break
            hidden_for = 0
            for one in closed:  # what is hidden for one may open the next
                facts = self.kept & ~empty
                hidden = before.cheapest(targets.rows[[one]], lines[facts], values[facts], self.cost[facts])
                if hidden is not None and hidden.any():
                    self.kept[np.flatnonzero(facts)[hidden]] = False
                    hidden_for += 1
            if hidden_for:
                todo = np.concatenate([closed, todo])
            elif self.said:  # what is said of floors tells it
                self.said, todo = [], np.concatenate([closed, todo])
            else:
                self.told += len(closed)
            most = min(_MOST_AT_ONCE, 2 * most) if 2 * hidden_for > len(closed) else max(1, most // 2)


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
                protect(system.row(name, place, version))
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
