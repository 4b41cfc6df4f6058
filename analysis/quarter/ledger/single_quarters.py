"""Counts of one quarter at a site of which only several quarters together were shown: what a reader can bound them by."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.quarter.ledger.openness import OPEN, Row, as_key, less
from analysis.quarter.ledger.system import JoinedReleases, Version
from analysis.statistics.small_counts import is_small

#: So many ways are looked at together.
_TOGETHER = 64


class SingleQuarters:
    """The counts of single quarters at a site, and which of them are 11 or more in a way in which the counts can be.

    Parameters
    ----------
    system : JoinedReleases
        The counts of all releases.

    Notes
    -----
    All sites of a quarter may be 11, and all quarters of a site, but perhaps not both at the same time; a reader then knows
    that the site has fewer in this quarter. What is part of no sum reaches the smaller of both in some table of
    sites by quarters that has these margins (the north-west corner rule of transport problems); a sum reaches what its parts
    reach. Where that is 11 or more in one of the ways the count is open: the reader may think so, too.
    With several sums of one total this is more than can be reached, so that a count may pass as open; in 120 random
    sequences of three releases and 20 of four, with a total told apart in three ways, none of the small counts was told.
    """

    def __init__(self, system: JoinedReleases) -> None:
        self._system = system
        self._at = list(system.inside())
        versions = [one for one in dict.fromkeys(system.of_release) if one is not system.now]
        states = [*versions, system.now]
        pairs = [(newer, older) for i, newer in enumerate(states) for older in (None, *states[:i][::-1])]
        self._cells = {(newer, older): _Cells(system, newer, older, self._at) for newer, older in pairs}
        self._waiting: list[NDArray[np.float64]] = []

    def see(self, way: NDArray[np.float64]) -> None:
        """Look at a way in which the counts can be."""
        self._waiting.append(way)
        if len(self._waiting) == _TOGETHER:
            self._look()

    def not_open(self, none: Container[tuple[tuple[int, float], ...]] = ()) -> list[tuple[Row, bool]]:
        """Add those counts to the system that were below 11 in all the ways that were seen.

        Parameters
        ----------
        none : container of tuple of (int, float)
            Counts that are known to be none, as keys.

        Returns
        -------
        list of (dict of int to float, bool)
            The counts, as sums of variables, and whether each may be known to be none.
        """
        self._look()
        found: list[tuple[Row, bool]] = []
        for newer in dict.fromkeys(newer for newer, _ in self._cells):
            olders = [older for one, older in self._cells if one is newer]
            for since in (olders[:1], olders[1:]):
                now = newer is self._system.now and since == [None]
                found += [(row, not now) for row in self._least([(newer, older) for older in since], none, now=now)]
        return found

    def _look(self) -> None:
        if self._waiting and self._at:
            ways = np.array(self._waiting)
            for cells in self._cells.values():
                cells.see(ways)
        self._waiting = []

    def _least(
        self,
        pairs: Sequence[tuple[Version, Version | None]],
        none: Container[tuple[tuple[int, float], ...]],
        *,
        now: bool,
    ) -> list[Row]:
        """Give the counts that are not open by the first of some states of the data that bounds them."""
        found: list[Row] = []
        taken = np.zeros((len(self._system.sited), len(self._at)), dtype=bool)
        made: list[tuple[int, int, _Cells]] = []
        for pair in pairs:
            cells = self._cells[pair]
            new = cells.bounded & ~taken
            taken |= new
            made += [(i, j, cells) for i, j in np.argwhere(new & (cells.most < OPEN))]
        for i, j, cells in sorted(made, key=lambda one: one[:2]):
            name, (period, _, site) = cells.names[i], self._at[j]
            if now and not is_small(self._system.true(name, ((period,), site))):
                continue
            if not cells.is_none(name, j, none):
                found.append({cells.variable(name, j): 1.0})
        return found


@dataclass
class _Cells:
    """One quarter at one site, for all of them and all quantities, in one state of the data, or what was added since another.

    Attributes
    ----------
    bounded : numpy.ndarray of bool of shape (quantities, at)
        Whether a reader is told of the count of all sites and of that of all quarters of the block.
    most : numpy.ndarray of shape (quantities, at)
        The most that each was in the ways seen.
    """

    system: JoinedReleases
    newer: Version
    older: Version | None
    at: Sequence[tuple[str, int, str]]

    def __post_init__(self) -> None:
        self.names = sorted(self.system.sited)
        self._variables: dict[tuple[str, int], int] = {}
        self._nothing = self.system.n
        self._of = {name: i for i, name in enumerate(self.names)}
        #: The variables of both margins, those of the newer state first; the one after all variables is nothing.
        self._margins = np.full((len(self.names), len(self.at), 2, 2), self._nothing, dtype=np.intp)
        self.bounded = np.zeros((len(self.names), len(self.at)), dtype=bool)
        for i, name in enumerate(self.names):
            if self.older is not None and name not in self.older.grew:
                continue
            for j in range(len(self.at)):
                self.bounded[i, j] = self._fill(i, j)
        self.most = np.full(self.bounded.shape, -np.inf)

    def _fill(self, i: int, j: int) -> bool:
        name, (period, block, site) = self.names[i], self.at[j]
        keys: tuple[tuple[str, str], tuple[str, int, str]] = (name, period), (name, block, site)
        news = [self.newer.get(key) for key in keys]
        olds = [None if self.older is None else self.older.get(key) for key in keys]
        for k, (new, old) in enumerate(zip(news, olds, strict=True)):
            if new is None or (self.older is not None and old is None):
                return False
            if new != old:  # what did not change in between is nothing
                self._margins[i, j, k] = new, self._nothing if old is None else old
        return True

    def see(self, ways: NDArray[np.float64]) -> None:
        """Look at ways in which the counts can be (ways by variables)."""
        padded = np.column_stack([ways, np.zeros(len(ways))])
        reached: dict[str, NDArray[np.float64]] = {}
        for name in self.names:
            most = self._reach(name, padded, reached).max(axis=0)
            self.most[self._of[name]] = np.maximum(self.most[self._of[name]], most)

    def _reach(
        self, name: str, ways: NDArray[np.float64], reached: dict[str, NDArray[np.float64]]
    ) -> NDArray[np.float64]:
        """Give the most that a quantity may be, by way and quarter at a site; without end where a reader is not told."""
        if name in reached:
            return reached[name]
        i = self._of[name]
        new, old = self._margins[i, :, :, 0], self._margins[i, :, :, 1]
        by_sums = np.full((len(ways), len(self.at)), np.inf)
        for parts in self.system.parts_of(name):
            by_sums = np.minimum(by_sums, np.sum([self._reach(part, ways, reached) for part in parts], axis=0))
        most = np.where(np.isinf(by_sums), (ways[:, new] - ways[:, old]).min(axis=-1), by_sums)
        reached[name] = np.where(self.bounded[i], most, np.inf)
        return reached[name]

    def _rows(self, name: str, j: int) -> list[Row]:
        """Give both margins as sums of variables."""
        margins = self._margins[self._of[name], j]
        sides = [[{int(one): 1.0} if one != self._nothing else {} for one in pair] for pair in margins]
        return [less(new, old) for new, old in sides]

    def is_none(self, name: str, j: int, none: Container[tuple[tuple[int, float], ...]]) -> bool:
        """Say whether a quantity is known to be none there, since all sites or the whole block are."""
        return any(not row or as_key(row) in none for row in self._rows(name, j))

    def variable(self, name: str, j: int) -> int:
        """Give the variable of a quantity, and tell the system what bounds it."""
        if (name, j) in self._variables:
            return self._variables[name, j]
        made = self._variables[name, j] = self.system.add_variable()
        for row in self._rows(name, j):
            self.system.at_most.append(({made: 1.0} | {i: -factor for i, factor in row.items()}, 0.0))
        for parts in self.system.parts_of(name):
            if all(self.bounded[self._of[part], j] for part in parts):
                self.system.equal.append(({made: 1.0} | {self.variable(part, j): -1.0 for part in parts}, 0.0))
        return made
