"""Counts as they were released: with those that must not be shown missing, and what of them a release ledger keeps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from analysis.quarter.blocks import Block, block_places, block_slice, released_before
from analysis.quarter.ledger.entries import Place, Release
from analysis.quarter.periods import quarter_of
from analysis.result import Result

if TYPE_CHECKING:
    from analysis.quarter.counts import Indicator

SmallCounts = Literal["hidden", "shown"]
#: Names of the slices of the whole baseline and of all sites over the window.
BASELINE, WINDOW = "baseline", "window"


@dataclass(frozen=True, eq=False, repr=False)
class ReleasedCounts(Result):
    """Counts with those that must not be shown missing; everything that is released is computed from these.

    Attributes
    ----------
    indicators : tuple of Indicator
        What is followed.
    table : pandas.DataFrame
        One row a quantity and slice: quantity, slice, value (missing where hidden), hidden.
    quarter, before : str
        The quarter reported, and the one before.
    periods : tuple of str
        Every period up to the end of the quarter.
    baseline : tuple of str
        Periods that centre lines come from.
    window : tuple of str
        Periods over which sites are compared.
    sites : tuple of str
        Sites by name.
    small_counts : {"hidden", "shown"}
        Whether anything was hidden at all.
    not_yet : dict of str to tuple of str
        Quantity of a denominator and the periods whose patients were not yet due.
    floors : dict of str to bool
        Indicators with a floor, and whether the quarter reached it, where that may be said although counts are hidden.
    details : tuple of Indicator
        Parts of indicators, known in the quarter and the baseline only.
    immature : tuple of str
        Periods some of whose patients were not yet due.
    as_of : str or None
        Day up to which the data were collected.
    follow_up : str
        The same in a sentence.
    n_earlier, hidden_beside, told_before : int
        Earlier releases that these counts were checked against, counts hidden because of them, and counts that they tell by
        themselves.
    earlier : tuple of Release
        What these showed.
    blocks : tuple of tuple of str
        Periods of each block over which sites are followed.
    """

    indicators: tuple[Indicator, ...]
    table: pd.DataFrame
    quarter: str
    before: str
    periods: tuple[str, ...]
    baseline: tuple[str, ...]
    window: tuple[str, ...]
    sites: tuple[str, ...]
    small_counts: SmallCounts
    not_yet: dict[str, tuple[str, ...]]
    floors: dict[str, bool]
    details: tuple[Indicator, ...] = ()
    immature: tuple[str, ...] = ()
    as_of: str | None = None
    follow_up: str = ""
    n_earlier: int = 0
    hidden_beside: int = 0
    told_before: int = 0
    earlier: tuple[Release, ...] = ()
    blocks: tuple[Block, ...] = ()

    def _headline(self) -> str:
        return (
            f"Counts to {self.quarter} that may be shown, {len(self.sites)} sites; small counts are {self.small_counts}"
        )

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        rows = [self.of(one, [self.quarter]).assign(indicator=one.name) for one in self.indicators]
        columns = ["indicator", "numerator", "denominator", "value", "hidden", "not_yet"]
        return {f"indicators in {self.quarter}": pd.concat(rows)[columns]} if rows else {}

    def value(self, quantity: str, where: str) -> float:
        """Return a quantity in a slice; NaN where it is hidden."""
        return self._cells.get((quantity, where), (float("nan"), False))[0]

    def is_hidden(self, quantity: str, where: str) -> bool:
        """Return whether a quantity is hidden in a slice."""
        return self._cells.get((quantity, where), (float("nan"), False))[1]

    @cached_property
    def _cells(self) -> dict[tuple[str, str], tuple[float, bool]]:
        rows = self.table[["quantity", "slice", "value", "hidden"]].itertuples(index=False, name=None)
        return {(str(quantity), str(where)): (float(value), bool(hidden)) for quantity, where, value, hidden in rows}

    def of(self, indicator: Indicator, slices: Sequence[str]) -> pd.DataFrame:
        """Give an indicator in the slices named.

        Parameters
        ----------
        indicator : Indicator
            The indicator.
        slices : sequence of str
            Names of slices.

        Returns
        -------
        pandas.DataFrame
            slice, numerator, denominator, value (their ratio; missing where either is hidden or the denominator is
            empty), hidden (whether the ratio is missing because a count is hidden), not_yet (whether the patients
            were not yet due), as_released (whether both counts stand as an earlier release showed them, because late data
            changed them by too few patients to be told).
        """
        rows = []
        late = self.not_yet.get(indicator.denominator, ())
        for name in slices:
            numerator, denominator = self.value(indicator.numerator, name), self.value(indicator.denominator, name)
            hidden = self.is_hidden(indicator.numerator, name) or self.is_hidden(indicator.denominator, name)
            before = self._shown_before(indicator, name) if hidden else None
            if before is not None:
                (numerator, denominator), hidden = before, False
            ratio = numerator / denominator if denominator > 0 else np.nan
            rows.append((name, numerator, denominator, ratio, hidden, name in late, before is not None))
        columns = ["slice", "numerator", "denominator", "value", "hidden", "not_yet", "as_released"]
        return pd.DataFrame(rows, columns=columns)

    def _shown_before(self, indicator: Indicator, name: str) -> tuple[float, float] | None:
        """Give both counts of the latest release that showed them."""
        place, names = self.place(name), (indicator.numerator, indicator.denominator)
        for one in reversed(self.earlier):
            found = one.shown.get(place, {})
            if all(quantity in found for quantity in names):
                return found[names[0]], found[names[1]]
        return None

    def place(self, name: str) -> Place:
        """Give the periods and the site of a slice, as a release ledger writes them."""
        if name in (BASELINE, WINDOW):
            return self.baseline if name == BASELINE else self.window, ""
        if name in self._of_blocks:
            return self._of_blocks[name]
        site = next((one for one in self.sites if site_slice(one) == name), "")
        if site or name in self.periods:
            return (self.window, site) if site else ((name,), "")
        return tuple(one for one in self.periods if quarter_of(one) == name), ""

    def by_period(self, indicator: Indicator) -> pd.DataFrame:
        """Give an indicator by period: period, numerator, denominator, value, hidden, not_yet, as_released."""
        return self.of(indicator, self.periods).rename(columns={"slice": "period"})

    def by_site(self, indicator: Indicator) -> pd.DataFrame:
        """Give an indicator by site over the window: site, numerator, denominator, value, hidden."""
        found = self.of(indicator, [site_slice(one) for one in self.sites])
        return found.assign(site=list(self.sites)).drop(columns=["slice", "not_yet", "as_released"])

    def by_block(self, indicator: Indicator) -> pd.DataFrame:
        """Give an indicator by block: block (its periods), site (empty for all of them), and the columns of :meth:`of`."""
        places = [(block, site) for block in self.blocks for site in ("", *self.sites)]
        found = self.of(indicator, [self._block_name(*one) for one in places])
        return found.assign(
            block=pd.Series([block for block, _ in places], dtype=object), site=[site for _, site in places]
        )

    def _block_name(self, block: Block, site: str) -> str:
        """Name the slice of a block; one that is the window has its cells there."""
        if block != self.window:
            return block_slice(block, site)
        return site_slice(site) if site else WINDOW

    @cached_property
    def _of_blocks(self) -> dict[str, Place]:
        return block_places(self.blocks, self.sites)


def site_slice(site: str) -> str:
    """Return the name of the slice of a site."""
    return f"site: {site}"


def as_release(released: ReleasedCounts, signals: Sequence[tuple[str, str, str]] = ()) -> Release:
    """Give what a release shows, for the ledger."""
    shown: dict[Place, dict[str, float]] = {}
    hidden: dict[Place, list[str]] = {}
    stored = any(one.baseline == released.baseline for one in released.earlier)
    stand = [one for one in released.blocks if released_before(one, released.window, released.earlier) is not None]
    before = block_places(stand, released.sites)
    used = {name for one in (*released.indicators, *released.details) for name in (one.numerator, one.denominator)}
    for quantity, name, value, is_hidden in released.table[["quantity", "slice", "value", "hidden"]].itertuples(
        index=False
    ):
        if (name == BASELINE and stored) or name in before:
            continue
        place = released.place(str(name))
        if np.isfinite(value):
            shown.setdefault(place, {})[str(quantity)] = float(value)
        elif is_hidden and quantity in used:
            hidden.setdefault(place, []).append(str(quantity))
    floors = tuple(
        (one.numerator, one.denominator, one.floor, released.floors[one.name])
        for one in released.indicators
        if one.name in released.floors
    )
    return Release(
        released.quarter, released.as_of, released.window, released.baseline, shown,
        {place: tuple(names) for place, names in hidden.items()}, floors, tuple(signals),
    )  # fmt: skip
