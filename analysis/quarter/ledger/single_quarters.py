"""Counts of one quarter at a site of which only several quarters together were shown: what a reader can bound them by."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.quarter.ledger.openness import OPEN, Row, as_key, less
from analysis.quarter.ledger.system import JoinedReleases, Version
from analysis.statistics.small_counts import is_small


def single_quarters(
    system: JoinedReleases, ways: NDArray[np.float64], none: Container[tuple[tuple[int, float], ...]] = ()
) -> list[tuple[Row, bool]]:
    """Add the counts of single quarters at a site to a system where it is not plain that they may be 11 or more.

    Parameters
    ----------
    system : JoinedReleases
        The counts of all releases; it gets the variables, and what bounds them.
    ways : numpy.ndarray of float of shape (ways, variables)
        Ways in which its counts can be.
    none : container of tuple of (int, float)
        Counts that are known to be none, as keys.

    Returns
    -------
    list of (dict of int to float, bool)
        The small ones, as sums of variables, and whether each may be known to be none.

    Notes
    -----
    All sites of a quarter may be 11, and all quarters of a site, but perhaps not both at the same time; a reader then knows
    that the site has fewer in this quarter. What is part of no sum reaches the smaller of both in some table of
    sites by quarters that has these margins (the north-west corner rule of transport problems); a sum reaches what its parts
    reach. With several sums of one quantity this is more than can be reached, so that a count may pass as open.
    Where that is 11 or more in one of the ways the count is left out: the reader may think so, too.
    """
    found: list[tuple[Row, bool]] = []
    versions = [one for one in dict.fromkeys(system.of_release) if one is not system.now]
    for newer, before in [(system.now, []), *((one, []) for one in versions), *_changes(system, versions)]:
        olders: list[Version | None] = [*before] if before else [None]
        now = newer is system.now and not before
        for at in system.inside():
            cells = [_Cell(system, ways, none, newer, older, at) for older in olders]
            for quantity in sorted(system.sited):
                cell = next((one for one in cells if one.margins(quantity) is not None), None)
                if cell is None or (now and not is_small(system.true(quantity, ((at[0],), at[2])))):
                    continue
                if not cell.is_none(quantity) and cell.reach(quantity).max() < OPEN:
                    found.append(({cell.variable(quantity): 1.0}, not now))
    return found


def _changes(system: JoinedReleases, versions: list[Version]) -> list[tuple[Version, list[Version]]]:
    """Give each state of the data with those before it, the last one first."""
    states = [*versions, system.now]
    return [(one, states[:i][::-1]) for i, one in enumerate(states) if i > 0]


@dataclass
class _Cell:
    """One quarter at one site, as one state of the data has it, or what was added since another."""

    system: JoinedReleases
    ways: NDArray[np.float64]
    none: Container[tuple[tuple[int, float], ...]]
    newer: Version
    older: Version | None
    at: tuple[str, int, str]
    variables: dict[str, int] = field(default_factory=dict)

    def margins(self, quantity: str) -> list[Row] | None:
        """Give the count of all sites and that of all quarters of the block; None where a reader is told of neither."""
        period, block, site = self.at
        rows = []
        keys: tuple[tuple[str, str], tuple[str, int, str]] = (quantity, period), (quantity, block, site)
        for key in keys:
            new = self.newer.get(key)
            old = None if self.older is None else self.older.get(key)
            if new is None or (self.older is not None and (old is None or quantity not in self.older.grew)):
                return None
            rows.append({new: 1.0} if old is None else less({new: 1.0}, {old: 1.0}))
        return rows

    def sums(self, quantity: str) -> list[Sequence[str]]:
        """Give the parts of a quantity that are bounded, by sum."""
        return [
            parts for parts in self.system.parts_of(quantity) if all(self.margins(part) is not None for part in parts)
        ]

    def reach(self, quantity: str) -> NDArray[np.float64]:
        """Give the most that a quantity may be, by way."""
        if sums := self.sums(quantity):
            return np.min([np.sum([self.reach(part) for part in parts], axis=0) for parts in sums], axis=0)
        most = np.full(len(self.ways), np.inf)
        for row in self.margins(quantity) or []:
            most = np.minimum(most, self.ways[:, list(row)] @ np.array([*row.values()]))
        return most

    def is_none(self, quantity: str) -> bool:
        """Say whether a quantity is known to be none there, since all sites or the whole block are."""
        return any(not row or as_key(row) in self.none for row in self.margins(quantity) or [])

    def variable(self, quantity: str) -> int:
        """Give the variable of a quantity, and tell the system what bounds it."""
        if quantity in self.variables:
            return self.variables[quantity]
        made = self.variables[quantity] = self.system.add_variable(quantity)
        for row in self.margins(quantity) or []:
            self.system.at_most.append(({made: 1.0} | {i: -factor for i, factor in row.items()}, 0.0))
        for parts in self.sums(quantity):
            self.system.equal.append(({made: 1.0} | {self.variable(part): -1.0 for part in parts}, 0.0))
        return made
