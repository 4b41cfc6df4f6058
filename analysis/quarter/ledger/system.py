"""One system of the counts of all releases: what a reader of them all knows of every count, as linear constraints."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
from scipy.optimize import linprog

from analysis.quarter.ledger.openness import Row, matrix_of
from analysis.quarter.periods import quarter_of

if TYPE_CHECKING:
    from analysis.quarter.counts import QuarterCounts
    from analysis.quarter.ledger.entries import Place, Release

#: What a reader takes for granted: that late data only add to a quantity, unless a count shown became smaller; the same of
#: quantities of which a count was shown; nothing. The first of them that agrees with all counts.
Assumed = Literal["growth", "growth of what was shown", "nothing"]
_ASSUMED: tuple[Assumed, ...] = get_args(Assumed)
_NEAR = 1e-6


@dataclass(frozen=True)
class Cell:
    """A count of a release: a quantity at a place, and its value in the data as they are now."""

    quantity: str
    place: Place
    value: float


@dataclass(eq=False)
class Version:
    """The data as some releases saw them: the variables of their counts, and what is taken to have only grown since."""

    periods: dict[tuple[str, str], int] = field(default_factory=dict)
    sites: dict[tuple[str, int, str], int] = field(default_factory=dict)
    grew: set[str] = field(default_factory=set)

    def get(self, key: tuple[str, str] | tuple[str, int, str]) -> int | None:
        """Give the variable of a quantity in a period, or in a block of periods at a site; None where it has none."""
        return self.periods.get(key) if len(key) == 2 else self.sites.get(key)


class JoinedReleases:
    """The counts of a new release and of all earlier ones, and the sums between them.

    Variables are counts that no sum is made of: quantities by period and, where sites are shown, by site and block of
    periods that every window holds as a whole or not at all. Earlier data are versions of their own where what they showed
    is not what the data now say; late data add to counts, so an earlier count is taken as no larger than the later one
    wherever the counts shown allow it.

    Parameters
    ----------
    counts : QuarterCounts
        The counts as they are now.
    cells : sequence of Cell
        Those of the new release.
    earlier : sequence of Release
        The releases before, the first one first.
    """

    def __init__(self, counts: QuarterCounts, cells: Sequence[Cell], earlier: Sequence[Release]) -> None:
        self._lines = {period: i for i, period in enumerate(counts.periods)}
        self._columns = {site: i for i, site in enumerate(counts.sites)}
        self._matrices = {
            name: counts.matrix(name).to_numpy(dtype=float)
            for name in dict.fromkeys(counts.table["quantity"])
            if name not in counts.not_counts
        }
        self._parts = [(total, parts) for total, parts in counts.sums if total in self._matrices]
        places = [one.place for one in cells] + [place for one in earlier for place in [*one.shown, *one.hidden]]
        windows = {frozenset(periods) for periods, site in places if site}
        self._periods = sorted({*counts.periods, *(one for periods, _ in places for one in periods)})
        blocks: dict[tuple[bool, ...], list[str]] = {}
        for period in self._periods:
            of = tuple(period in window for window in windows)
            if any(of):
                blocks.setdefault(of, []).append(period)
        self._blocks = [frozenset(one) for one in blocks.values()]
        self._site_names = sorted({*counts.sites, *(site for _, site in places if site)})
        self.sited = self._joined(
            {one.quantity for one in cells if one.place[1]}
            | {name for one in earlier for (_, site), found in one.shown.items() if site for name in found}
        )
        self._follows: dict[int, dict[Place, dict[str, float]]] = {}
        numbered = self._in_versions(earlier)
        for taken in _ASSUMED:
            self._build(numbered, taken)
            now = [(self.row(one.quantity, one.place, self.now), one.value) for one in cells]
            equal, right = matrix_of([*self.equal, *self.known, *(one for one in now if one[0])], self.n)
            below, limit = matrix_of(self.at_most, self.n)
            aim = np.zeros(self.n)
            found = None
            if earlier:
                found = linprog(aim, A_eq=equal, b_eq=right, A_ub=below, b_ub=limit).x  # type: ignore[call-overload]
            #: A way in which the counts can be that agrees with all that is known, were the new release shown whole.
            self.point = np.zeros(self.n) if found is None else np.maximum(found, 0.0)
            if found is not None or not earlier:
                break

    def _build(self, numbered: Sequence[tuple[Release, int]], taken: Assumed) -> None:
        """Make the variables, and what is known of them."""
        self.n = 0
        self.equal: list[tuple[Row, float]] = []
        self.at_most: list[tuple[Row, float]] = []
        self.known: list[tuple[Row, float]] = []
        self.now = Version()
        self._of_now: set[int] = set()
        self._fill(self.now, set(self._matrices), self._periods, {})
        self._made: dict[int, Version] = {-1: self.now}
        for number in dict.fromkeys(number for _, number in numbered if number >= 0):
            self._add_version(number, [entry for entry, its in numbered if its == number], taken)
        self.of_release = [self._made[number] for _, number in numbered]
        for (entry, _), version in zip(numbered, self.of_release, strict=True):
            self._add_known(entry, version)

    def true(self, quantity: str, place: Place) -> float:
        """Give a count as the data have it now."""
        if quantity not in self._matrices or (place[1] and place[1] not in self._columns):
            return 0.0
        inside = [self._lines[one] for one in place[0] if one in self._lines]
        rows = self._matrices[quantity][inside]
        return float(rows[:, self._columns[place[1]]].sum() if place[1] else rows.sum())

    def row(self, quantity: str, place: Place, version: Version) -> Row:
        """Give a count as a sum of variables; empty where the version lacks a part of it."""
        periods, site = place
        if site:
            inside = [i for i, block in enumerate(self._blocks) if block <= set(periods)]
            found = [version.sites.get((quantity, i, site)) for i in inside]
        else:
            found = [version.periods.get((quantity, one)) for one in periods]
        return {} if None in found else {one: 1.0 for one in found if one is not None}

    def atoms(self) -> Iterable[tuple[str, Place]]:
        """Give quantity and place of every variable of the data as they are now."""
        for quantity, period in self.now.periods:
            yield quantity, ((period,), "")
        for quantity, block, site in self.now.sites:
            yield quantity, (tuple(sorted(self._blocks[block])), site)

    def inside(self) -> Iterable[tuple[str, int, str]]:
        """Give every period of a block that has several, the number of the block, and every site."""
        for i, block in enumerate(self._blocks):
            if len(block) > 1:
                yield from ((period, i, site) for period in sorted(block) for site in self._site_names)

    def parts_of(self, quantity: str) -> list[Sequence[str]]:
        """Give the parts of a quantity, by sum."""
        return [parts for total, parts in self._parts if total == quantity]

    def add_variable(self) -> int:
        """Add a count."""
        self.n += 1
        return self.n - 1

    def _joined(self, names: set[str]) -> set[str]:
        """Add the quantities that sums join to those named."""
        found = names & set(self._matrices)
        while True:
            more = {
                one for total, parts in self._parts if found & {total, *parts} for one in (total, *parts)
            } - found  # fmt: skip
            if not more:
                return found
            found |= more

    def _fill(self, made: Version, quantities: set[str], periods: Sequence[str], shared: dict[str, set[str]]) -> None:
        """Give a version its variables, those of the present where a quantity is the same in a period, and their sums."""
        for quantity in sorted(quantities):
            same, new = shared.get(quantity, set()), False
            for period in periods:
                old = period in same
                made.periods[quantity, period] = self.now.periods[quantity, period] if old else self.add_variable()
                new |= not old
            if quantity not in self.sited:
                continue
            for i, block in enumerate(self._blocks):
                if not block <= set(periods):
                    continue
                for site in self._site_names:
                    at = (quantity, i, site)
                    made.sites[at] = self.now.sites[at] if block <= same else self.add_variable()
                if not block <= same:
                    row: Row = {made.periods[quantity, period]: 1.0 for period in block}
                    self.equal.append((row | {made.sites[quantity, i, site]: -1.0 for site in self._site_names}, 0.0))
        for total, parts in self._parts:
            if not {total, *parts} <= quantities:
                continue
            for (name, *key), variable in [*made.periods.items(), *made.sites.items()]:
                if name != total:
                    continue
                of = made.periods if len(key) == 1 else made.sites
                row = {variable: 1.0} | {of[(part, *key)]: -1.0 for part in parts}  # type: ignore[index]
                if made is self.now or not set(row) <= self._of_now:
                    self.equal.append((row, 0.0))
        if made is self.now:
            self._of_now = {*made.periods.values(), *made.sites.values()}

    def _in_versions(self, earlier: Sequence[Release]) -> list[tuple[Release, int]]:
        """Number the states of the data that the releases saw; -1 is the present one."""
        numbered: list[tuple[Release, int]] = []
        for entry in earlier:
            if all(
                abs(self.true(name, place) - value) < _NEAR
                for place, found in entry.shown.items()
                for name, value in found.items()
                if name in self._matrices
            ):
                numbered.append((entry, -1))
                continue
            same = [number for one, number in numbered if number >= 0 and entry.as_of and one.as_of == entry.as_of
                    and _agree(one, entry)]  # fmt: skip
            numbered.append((entry, same[-1] if same else 1 + max((number for _, number in numbered), default=-1)))
        return numbered

    def _add_version(self, number: int, entries: Sequence[Release], taken: Assumed) -> None:
        """Make the variables of a state of the data, which some releases saw, and tie them to those before and to the present."""
        quantities = self._joined({name for one in entries for found in one.shown.values() for name in found})
        last = max(one for entry in entries for periods, _ in [*entry.shown, *entry.hidden] for one in periods)
        periods = [one for one in self._periods if one <= last]
        grew = set() if taken == "nothing" else {
            name for name in quantities
            if all(self.only_grew(one, name) for one in entries) and (taken == "growth" or any(self.knows(one, name) for one in entries))
        }  # fmt: skip
        made = self._made[number] = Version(grew=grew)
        self._fill(made, quantities, periods, self._unchanged(entries, grew))
        before = [self._made[i] for i in range(number - 1, -1, -1)]
        for variables, later in ((made.periods, self.now.periods), (made.sites, self.now.sites)):
            for key, variable in variables.items():
                if variable == later[key] or key[0] not in grew:  # type: ignore[index]
                    continue
                self.at_most.append(({variable: 1.0, later[key]: -1.0}, 0.0))  # type: ignore[index]
                old = next((found for one in before if (found := one.get(key)) is not None), None)
                if old is not None and old != variable:
                    self.at_most.append(({old: 1.0, variable: -1.0}, 0.0))

    def knows(self, entry: Release, quantity: str) -> bool:
        """Say whether a release showed a count of a quantity, or one follows at its place."""
        return any(quantity in found for found in self.told(entry).values())

    def _unchanged(self, entries: Sequence[Release], grew: set[str]) -> dict[str, set[str]]:
        """Give the periods in which each quantity is what it is now at every site: it only grew, and its sum did not."""
        found: dict[str, set[str]] = {name: set() for name in grew}
        for entry in entries:
            for (periods, site), told in self.told(entry).items():
                if site or len(periods) != 1:
                    continue
                for name, value in told.items():
                    if name in found and abs(self.true(name, (periods, "")) - value) < _NEAR:
                        found[name].add(periods[0])
        return found

    def only_grew(self, entry: Release, quantity: str) -> bool:
        """Say whether no count of a quantity that was shown, or follows at its place, is smaller now."""
        known = [(place, found[quantity]) for place, found in self.told(entry).items() if quantity in found]
        return all(self.true(quantity, place) >= value - _NEAR for place, value in known)

    def told(self, entry: Release) -> dict[Place, dict[str, float]]:
        """Give the counts that a release showed, and those that follow from them at the same place."""
        if id(entry) not in self._follows:
            self._follows[id(entry)] = {place: self._following(found) for place, found in entry.shown.items()}
        return self._follows[id(entry)]

    def _following(self, found: Mapping[str, float]) -> dict[str, float]:
        known = dict(found)
        while True:
            n = len(known)
            for total, parts in self._parts:
                lacking = [one for one in (total, *parts) if one not in known]
                if len(lacking) != 1:
                    continue
                others = sum(known[one] for one in parts if one in known)
                known[lacking[0]] = others if lacking[0] == total else known[total] - others
            if len(known) == n:
                return known

    def _add_known(self, entry: Release, version: Version) -> None:
        for place, found in entry.shown.items():
            for name, value in found.items():
                row = self.row(name, place, version)
                if row:
                    self.known.append((row, value))
        for one in entry.floors:
            self.at_most.append(self.floor(one, entry.quarter, version))

    def floor(self, said: tuple[str, str, float, bool], quarter: str, version: Version) -> tuple[Row, float]:
        """Give the row of a share of a quarter that was said to reach its floor, or not: numerator, denominator, floor, reached."""
        numerator, denominator, floor, reached = said
        place = (tuple(one for one in self._periods if quarter_of(one) == quarter), "")
        sign = -1.0 if reached else 1.0
        row = dict.fromkeys(self.row(numerator, place, version), sign)
        for one in self.row(denominator, place, version):
            row[one] = row.get(one, 0.0) - sign * floor
        return row, 0.0


def _agree(one: Release, other: Release) -> bool:
    return all(
        abs(found[name] - one.shown[place][name]) < _NEAR
        for place, found in other.shown.items()
        if place in one.shown
        for name in found
        if name in one.shown[place]
    )
