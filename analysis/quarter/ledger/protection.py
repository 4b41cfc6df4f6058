"""What a new release must hide so that no reader of it and of all earlier ones can tell a small count."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.progress import in_portions
from analysis.quarter.ledger.system import Cell, JoinedReleases, Row, Version
from analysis.statistics.small_counts import LARGEST_HIDDEN, SMALLEST_HIDDEN

if TYPE_CHECKING:
    from analysis.quarter.counts import QuarterCounts
    from analysis.quarter.ledger.entries import Place, Release

_NEAR = 1e-6
#: Counts that are looked at in one linear program: more make it slow.
_AT_ONCE = 300
#: Where more than this share of them is left, the others are looked at one by one.
_HARDLY_FEWER = 0.8
#: A reader must not be able to tell that a count is below this.
_OPEN = LARGEST_HIDDEN + 1.0


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
    For each a linear program finds the largest value that a reader can think possible; where that is below 11, another
    one finds the counts that are hidden at the least cost so that it is not.
    """
    system = JoinedReleases(counts, cells, earlier)
    rows = [system.row(one.quantity, one.place, system.now) for one in cells]
    known = list(system.at_most)
    for one in floors:
        system.add_floor(one, quarter, system.now)
    kept, told = shown & ~_changed_by_few(cells, earlier), 0
    todo = _protected(system, cells, rows, earlier)
    total = max(1, len(todo))
    for _ in in_portions(total, 1, "checking against earlier releases", None if tell is None else lambda _, __: None):
        todo = _without_open(system, rows, cells, kept, todo)
        if tell is not None:
            tell(total - len(todo), total)
        if not todo:
            break
        hidden = _cheapest(system, rows, cells, kept, cost, todo[0][0])
        if hidden is not None and hidden.any():
            kept &= ~hidden
        elif len(system.at_most) > len(known):  # what is said of floors tells it
            system.at_most = list(known)
        else:
            todo, told = todo[1:], told + 1
    return Protected(kept, len(system.at_most) > len(known) or not floors, told)


def _changed_by_few(cells: Sequence[Cell], earlier: Sequence[Release]) -> NDArray[np.bool_]:
    """Say which counts differ by 1 to 10 from what was shown before: shown again they would tell of so few patients."""
    before: dict[tuple[str, Place], set[float]] = {}
    for entry in earlier:
        for place, found in entry.shown.items():
            for name, value in found.items():
                before.setdefault((name, place), set()).add(value)
    return np.array(
        [any(_is_small(abs(one.value - was)) for was in before.get((one.quantity, one.place), ())) for one in cells]
    )


def _protected(
    system: JoinedReleases, cells: Sequence[Cell], rows: Sequence[Row], earlier: Sequence[Release]
) -> list[tuple[Row, bool]]:
    """Give the counts that must stay open, and whether each may be known to be none: what late data added, or a count before."""
    found: dict[tuple[tuple[int, float], ...], tuple[Row, bool]] = {}

    def protect(row: Row, *, none: bool = False) -> None:
        if row:
            found.setdefault(tuple(sorted(row.items())), (row, none))

    for cell, row in zip(cells, rows, strict=True):
        if _is_small(cell.value):
            protect(row)
    atoms = list(system.atoms())
    for quantity, place in atoms:
        if _is_small(system.true(quantity, place)):
            protect(system.row(quantity, place, system.now))
    last: tuple[Release, Version] | None = None
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
                protect(_less(now, before), none=True)
                row = {} if last is None or last[1] is version else system.row(name, place, last[1])
                if row and last is not None and system.only_grew(last[0], name):
                    protect(_less(before, row), none=True)
                continue
            change = system.true(name, place) - system.told(entry).get(place, {}).get(name, np.nan)
            if _is_small(abs(change)):
                protect(_less(now, before) if change > 0 else _less(before, now))
        last = entry, version
    return list(found.values())


def _less(one: Row, other: Row) -> Row:
    """Take one count from another; what they share is in neither."""
    return {key: 1.0 for key in one if key not in other} | {key: -1.0 for key in other if key not in one}


def _is_small(value: float) -> bool:
    return SMALLEST_HIDDEN - _NEAR <= value <= LARGEST_HIDDEN + _NEAR


def _facts(rows: Sequence[Row], cells: Sequence[Cell], kept: NDArray[np.bool_]) -> list[tuple[Row, float]]:
    return [(rows[i], cells[i].value) for i, one in enumerate(kept) if one and rows[i]]


def _without_open(
    system: JoinedReleases,
    rows: Sequence[Row],
    cells: Sequence[Cell],
    kept: NDArray[np.bool_],
    todo: list[tuple[Row, bool]],
) -> list[tuple[Row, bool]]:
    """Leave out the counts that a reader may think to be 11 or more: many at a time, then one by one."""
    facts, n = _facts(rows, cells, kept), system.n
    todo = _without_none(system, facts, todo)
    left: list[tuple[Row, bool]] = []
    for start in range(0, len(todo), _AT_ONCE):
        part = todo[start : start + _AT_ONCE]
        while part:
            aim = {n + i: -1.0 for i in range(len(part))}
            below = [
                ({n + i: 1.0} | {place: -factor for place, factor in row.items()}, 0.0)
                for i, (row, _) in enumerate(part)
            ]
            found = system.solve(aim, more_equal=facts, more_at_most=below, extra=[(-np.inf, _OPEN)] * len(part))
            closed = part if found.x is None else [one for i, one in enumerate(part) if found.x[n + i] < _OPEN - _NEAR]
            slow = len(closed) > _HARDLY_FEWER * len(part)
            part = closed
            if slow:
                break
        left += part
    todo = left
    for place, (row, _) in enumerate(todo):  # the first that is not open; those after it are looked at again later
        if _furthest(system, facts, row) < _OPEN - _NEAR:
            return todo[place:]
    return []


def _without_none(
    system: JoinedReleases, facts: Sequence[tuple[Row, float]], todo: list[tuple[Row, bool]]
) -> list[tuple[Row, bool]]:
    """Leave out the counts that are known to be none: all others can be a little above zero at the same time."""
    n, places = system.n, [i for i, (_, none) in enumerate(todo) if none]
    if not places:
        return todo
    little = 0.5 / len(places)
    below = [({n + k: 1.0} | {key: -factor for key, factor in todo[i][0].items()}, 0.0) for k, i in enumerate(places)]
    found = system.solve(
        {n + k: -1.0 for k in range(len(places))}, more_equal=facts, more_at_most=below,
        extra=[(0.0, little)] * len(places),
    )  # fmt: skip
    if found.x is None:
        return todo
    none = {i for k, i in enumerate(places) if found.x[n + k] < little / 2}
    return [one for i, one in enumerate(todo) if i not in none]


def _furthest(system: JoinedReleases, facts: Sequence[tuple[Row, float]], row: Row) -> float:
    """Give the largest value that a reader may think possible, up to what is open."""
    n = system.n
    below = [({n: 1.0} | {key: -factor for key, factor in row.items()}, 0.0)]
    found = system.solve({n: -1.0}, more_equal=facts, more_at_most=below, extra=[(-np.inf, _OPEN)])
    return -np.inf if found.x is None else float(found.x[n])


def _cheapest(
    system: JoinedReleases,
    rows: Sequence[Row],
    cells: Sequence[Cell],
    kept: NDArray[np.bool_],
    cost: NDArray[np.float64],
    target: Row,
) -> NDArray[np.bool_] | None:
    """Find the counts to hide at the least cost so that the target may be 11; None where none would do."""
    shown, n = [i for i, one in enumerate(kept) if one and rows[i]], system.n
    aim = {n + k: float(cost[i]) for k, i in enumerate(shown)}
    limits: list[tuple[Row, float]] = [({place: -factor for place, factor in target.items()}, -_OPEN)]
    for k, i in enumerate(shown):
        limits.append((rows[i] | {n + k: -1.0}, cells[i].value))
        limits.append(({place: -factor for place, factor in rows[i].items()} | {n + k: -1.0}, -cells[i].value))
    found = system.solve(aim, more_at_most=limits, extra=[(0.0, None)] * len(shown))
    if found.x is None:
        return None
    hidden = np.zeros(len(cells), dtype=bool)
    for k, i in enumerate(shown):
        hidden[i] = found.x[n + k] > _NEAR
    return hidden
