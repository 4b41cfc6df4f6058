"""Counts as they may be shown: the small ones and those beside them hidden, once, before anything is computed."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.quarter.blocks import (
    Block,
    block_cells,
    block_places,
    blocks_before,
    blocks_shown,
    released_before,
    with_parts,
)
from analysis.quarter.ledger.entries import Place, Release
from analysis.quarter.ledger.protection import Protected, hide_beside_earlier
from analysis.quarter.ledger.system import Cell
from analysis.quarter.periods import period_number, quarter_before
from analysis.quarter.released_counts import BASELINE, WINDOW, ReleasedCounts, SmallCounts, site_slice
from analysis.statistics.small_counts import LARGEST_HIDDEN, CellSystem, hide_small_cells

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from analysis.quarter.counts import QuarterCounts


#: How much one would rather keep a cell: a site, a period, a quarter that is compared, a total.
_SITE, _PERIOD, _QUARTER, _TOTAL = 1.0, 2.0, 12.0, 60.0
#: How many times more a cell is worth that is shown without the further indicators by site.
_KEPT = 1000.0
#: The same of quantities, by what the indicators that need them are for.
#: How many times rather a count is shown that was shown before, or hidden that was hidden.
_AGAIN = 50.0
_WORTH = {"outcome": 3.0, "balancing": 2.0, "process": 1.0}


def release(
    counts: QuarterCounts,
    quarter: str,
    *,
    baseline: Sequence[str],
    window: Sequence[str],
    by_site: Sequence[str] | None = None,
    keep: ReleasedCounts | None = None,
    small_counts: SmallCounts = "hidden",
    earlier: Sequence[Release] = (),
    stored: bool = False,
    blocks: Sequence[Block] = (),
    over_blocks: Sequence[str] | None = None,
    tell: Callable[[int, int], None] | None = None,
) -> ReleasedCounts:
    """Hide what must not be shown of a quarter's counts.

    Parameters
    ----------
    counts : QuarterCounts
        The counts.
    quarter : str
        The quarter reported.
    baseline : sequence of str
        Periods that centre lines come from.
    window : sequence of str
        Periods over which sites are compared.
    by_site : sequence of str, optional
        Indicators that are shown by site; by default all. The fewer they are, the less must be hidden.
    keep : ReleasedCounts, optional
        The same counts released with fewer indicators by site: what it shows is hidden only after everything that it
        does not show.
    small_counts : {"hidden", "shown"}
        "shown" hides nothing: for the team itself, never for release.
    earlier : sequence of Release
        What earlier releases showed, the first one first: more is hidden where counts could be told from both.
    stored : bool
        Whether the counts of the baseline are those that an earlier release showed over these periods.
    blocks : sequence of tuple of str
        Blocks of periods over which sites are followed (:func:`analysis.quarter.blocks.whole_blocks`); those that an earlier
        release showed stay as it showed them.
    over_blocks : sequence of str, optional
        Indicators that are shown over blocks; by default all.
    tell : callable, optional
        Told of the small counts dealt with and their total.

    Returns
    -------
    ReleasedCounts
        For every quantity: each period, the quarter and the one before, the baseline, the window, each site over the
        window, and all periods; blocks of all sites and of each site.

    Notes
    -----
    One system of sums holds all quantities and slices: periods add up to quarters and to the baseline, sites to the
    window, parts of a quantity to the quantity. A reader who adds and subtracts anything shown stays within it.
    """
    periods = [one for one in counts.periods if period_number(one) <= period_number(counts.periods_of([quarter])[-1])]
    kept = _stored(tuple(baseline), earlier) if stored else None
    blocks = blocks_shown(blocks, tuple(window), earlier)
    new = [one for one in blocks if one != tuple(window) and released_before(one, tuple(window), earlier) is None]
    slices = _Slices(counts, periods, quarter, tuple(baseline) if kept is None else (), tuple(window), new)
    cells, labels, floors = _cell_system(counts, slices, by_site, over_blocks)
    hidden, beside, told = np.zeros(len(cells.values), dtype=bool), 0, 0
    if keep is not None:
        shown_there = ~keep.table["hidden"].to_numpy(dtype=bool)[: len(labels)]
        cells.cost[: len(labels)][shown_there] *= _KEPT
    if small_counts == "hidden":
        places = [slices.place(name) for name in labels["slice"]]
        if earlier:
            cells = _as_before(cells, labels, places, earlier)
        hidden = hide_small_cells(cells, tell=tell)
        if earlier:
            alone = hidden[: len(labels)].sum()
            safe = _beside(counts, cells, labels, places, hidden, floors, quarter, earlier)
            hidden[: len(labels)] = ~safe.shown
            beside, told, floors = int((~safe.shown).sum() - alone), safe.told, floors if safe.floors else {}
    shown = np.where(hidden, np.nan, cells.values)[: len(labels)]
    table = pd.concat([labels.assign(value=shown, hidden=hidden[: len(labels)])], ignore_index=True)
    table = pd.concat([table, _sums_of_values(counts, slices, table)], ignore_index=True)
    for found in (kept, blocks_before(blocks, tuple(window), earlier)):
        if found is not None and len(found):
            table = pd.concat([table, found.reindex(columns=table.columns)], ignore_index=True)
    return ReleasedCounts(
        counts.indicators, table, quarter, quarter_before(quarter), tuple(periods), tuple(baseline), tuple(window),
        tuple(counts.sites), small_counts, counts.not_yet, floors, counts.details, counts.immature,
        counts.as_of, counts.follow_up, len(earlier), beside, told, tuple(earlier), blocks,
    )  # fmt: skip


class _Slices:
    """The slices of a report: their values of a quantity, the sums between them, and what they are worth."""

    def __init__(
        self,
        counts: QuarterCounts,
        periods: list[str],
        quarter: str,
        baseline: tuple[str, ...],
        window: tuple[str, ...],
        blocks: Sequence[Block],
    ) -> None:
        self.counts = counts
        self.blocks = blocks
        self._of_blocks = block_places(blocks, counts.sites)
        self.periods = periods
        self.quarter = quarter
        before = quarter_before(quarter)
        held = {name: [one for one in counts.periods_of([name]) if one in periods] for name in (before, quarter)}
        quarters = {name: inside for name, inside in held.items() if inside and name not in periods}
        self.of_periods = {**quarters, **({BASELINE: list(baseline)} if baseline else {}), WINDOW: list(window)}
        self.names = [*periods, *self.of_periods, *(site_slice(one) for one in counts.sites)]
        worth = dict.fromkeys(periods, _PERIOD) | dict.fromkeys([before, quarter], _QUARTER)
        worth |= {BASELINE: _TOTAL, WINDOW: _TOTAL}
        self.cost = np.array([worth.get(name, _SITE) for name in self.names])

    def values(self, quantity: str) -> NDArray[np.float64]:
        """Give a quantity in every slice."""
        matrix = self.counts.matrix(quantity)
        by_period = matrix.sum(axis=1)
        summed = [float(by_period.loc[inside].sum()) for inside in self.of_periods.values()]
        by_site = matrix.loc[self.of_periods[WINDOW]].sum(axis=0)
        return np.array([*by_period.loc[self.periods], *summed, *by_site], dtype=float)

    def place(self, name: str) -> Place:
        """Give the periods and the site of a slice, as a release ledger writes them."""
        if name in self.of_periods:
            return tuple(self.of_periods[name]), ""
        if name in self._of_blocks:
            return self._of_blocks[name]
        site = next((one for one in self.counts.sites if site_slice(one) == name), "")
        return (tuple(self.of_periods[WINDOW]), site) if site else ((name,), "")

    def sums(self) -> list[tuple[int, list[int]]]:
        """Give the sums between slices, by their positions."""
        place = {name: position for position, name in enumerate(self.names)}
        found = [(place[name], [place[one] for one in inside]) for name, inside in self.of_periods.items()]
        return [*found, (place[WINDOW], [place[site_slice(one)] for one in self.counts.sites])]


def _stored(baseline: tuple[str, ...], earlier: Sequence[Release]) -> pd.DataFrame | None:
    """Give the counts of the baseline as the first release over these periods showed them."""
    first = next((one for one in earlier if one.baseline == baseline and (baseline, "") in one.shown), None)
    if first is None:
        return None
    rows = [(name, BASELINE, value, False) for name, value in first.shown[baseline, ""].items()]
    rows += [(name, BASELINE, float("nan"), True) for name in first.hidden.get((baseline, ""), ())]
    return pd.DataFrame(rows, columns=["quantity", "slice", "value", "hidden"])


def _as_before(cells: CellSystem, labels: pd.DataFrame, places: list[Place], earlier: Sequence[Release]) -> CellSystem:
    """Rather show what was shown before, and hide what was hidden, so that little more must be hidden."""
    shown = {
        (name, place): value for one in earlier for place, found in one.shown.items() for name, value in found.items()
    }
    hidden = {(name, place) for one in earlier for place, names in one.hidden.items() for name in names}
    cost, now = cells.cost.copy(), cells.values.tolist()  # noqa: PD011
    for i, (name, place) in enumerate(zip(labels["quantity"], places, strict=True)):
        before = shown.get((name, place))
        if before == now[i]:
            cost[i] *= _AGAIN
        elif (name, place) in hidden or (before is not None and abs(before - now[i]) <= LARGEST_HIDDEN):
            cost[i] /= _AGAIN
    return replace(cells, cost=cost)


def _beside(
    counts: QuarterCounts,
    cells: CellSystem,
    labels: pd.DataFrame,
    places: list[Place],
    hidden: NDArray[np.bool_],
    floors: dict[str, bool],
    quarter: str,
    earlier: Sequence[Release],
) -> Protected:
    n, now = len(labels), cells.values.tolist()  # noqa: PD011
    listed = [Cell(name, place, value) for name, place, value in zip(labels["quantity"], places, now[:n], strict=True)]
    said = [
        (one.numerator, one.denominator, one.floor, floors[one.name]) for one in counts.indicators if one.name in floors
    ]
    return hide_beside_earlier(
        counts, listed, ~hidden[:n], cells.cost[:n], earlier, floors=said, quarter=quarter
    )  # fmt: skip


def _cell_system(
    counts: QuarterCounts, slices: _Slices, by_site: Sequence[str] | None, over_blocks: Sequence[str] | None
) -> tuple[CellSystem, pd.DataFrame, dict[str, bool]]:
    """Put every quantity in every slice into one system, with what is said about floors."""
    quantities = [one for one in dict.fromkeys(counts.table["quantity"]) if one not in counts.not_counts]
    used: dict[str, float] = {}
    for one in counts.indicators:
        for name in (one.numerator, one.denominator):
            used[name] = used.get(name, 0.0) + _WORTH[one.role]
    for name in counts.shown_too:
        used.setdefault(name, _WORTH["process"])
    parts = {one.numerator for one in counts.details} - set(used)
    width = len(slices.names)
    first = {quantity: position * width for position, quantity in enumerate(quantities)}
    values = np.concatenate([slices.values(quantity) for quantity in quantities]) if quantities else np.zeros(0)
    between = slices.sums()
    sums = [
        (first[quantity] + total, [first[quantity] + part for part in inside])
        for quantity in quantities
        for total, inside in between
    ]
    sums += [
        (first[total] + position, [first[part] + position for part in parts])
        for total, parts in counts.sums
        for position in range(width)
    ]
    labels = pd.DataFrame({"quantity": np.repeat(quantities, width), "slice": slices.names * len(quantities)})
    shown = labels["quantity"].isin(list(used))
    shown |= labels["quantity"].isin(list(parts)) & labels["slice"].isin([slices.quarter, BASELINE])
    if by_site is not None:
        of_sites = {
            name for one in counts.indicators if one.name in by_site for name in (one.numerator, one.denominator)
        }
        within = labels["slice"].isin([WINDOW, *(site_slice(one) for one in counts.sites)])
        shown &= ~within | labels["quantity"].isin(of_sites)
    followed = {
        name
        for one in counts.indicators
        if over_blocks is None or one.name in over_blocks
        for name in (one.numerator, one.denominator)
    }
    named = [one for one in quantities if one in with_parts(followed, counts.sums)]
    at = {name: {one: first[name] + i for i, one in enumerate(slices.periods)} for name in named}
    added = block_cells(counts, slices.blocks, named, start=len(values), at=at)
    values, sums = np.concatenate([values, added.counted]), sums + added.sums
    floors, more, gaps = {}, [], []
    for one in counts.indicators:
        now = slices.names.index(slices.quarter)
        counted, among = values[first[one.numerator] + now] if one.numerator in first else 0.0, np.nan
        if one.denominator in first and one.kind == "share" and np.isfinite(one.floor):
            among = values[first[one.denominator] + now]
        # Said only where both answers leave room for more patients than a small count.
        if (1 - one.floor) * among > LARGEST_HIDDEN:
            floors[one.name] = bool(counted >= one.floor * among)
            sign = 1.0 if floors[one.name] else -1.0
            gaps.append(sign * (counted - one.floor * among))
            cell = {first[one.numerator] + now: sign, first[one.denominator] + now: -sign * one.floor}
            more.append({**cell, len(values) + len(gaps) - 1: -1.0})
    system = CellSystem.of(
        np.concatenate([values, np.maximum(gaps, 0.0)]),
        sums,
        released=[*shown, *added.labels["quantity"].isin(followed), *[False] * len(gaps)],
        whole=[True] * len(values) + [False] * len(gaps),
        cost=[
            *np.outer([used.get(one, 1.0) for one in quantities], slices.cost).ravel(),
            *(used.get(name, 1.0) * cost for name, cost in zip(added.labels["quantity"], added.cost, strict=True)),
            *[1.0] * len(gaps),
        ],
        more=more,
    )
    return system, pd.concat([labels, added.labels], ignore_index=True), floors


def _sums_of_values(counts: QuarterCounts, slices: _Slices, shown: pd.DataFrame) -> pd.DataFrame:
    """Give the sums that means are made of; hidden where the patients they are sums of are."""
    found = []
    for one in counts.indicators:
        if one.numerator in counts.not_counts:
            rows = shown["quantity"].eq(one.denominator) & shown["slice"].isin(slices.names)
            hidden = shown.loc[rows, "hidden"].to_numpy(dtype=bool)
            values = np.where(hidden, np.nan, slices.values(one.numerator))
            frame = {"quantity": one.numerator, "slice": slices.names, "value": values, "hidden": hidden}
            found.append(pd.DataFrame(frame))
    return pd.concat(found, ignore_index=True) if found else shown.iloc[:0]
