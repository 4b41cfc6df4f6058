"""Blocks of quarters over which sites are followed: cut by the calendar, so that they stay where they are, and their cells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.quarter.periods import period_number, quarter_of

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from analysis.quarter.counts import QuarterCounts
    from analysis.quarter.ledger.entries import Place, Release

#: How much one would rather keep a block of a site, and of all sites: less than what is shown without blocks.
_OF_A_SITE, _OF_ALL = 0.3, 1.5
#: The periods of a block, in order.
Block = tuple[str, ...]


def whole_blocks(periods: Sequence[str], size: int, *, immature: Collection[str] = ()) -> tuple[Block, ...]:
    """Cut periods into blocks of so many quarters, counted from the year 0: four quarters are a calendar year.

    So no block moves when a quarter is added, before or after. A block of which a quarter is not there, or not yet due, is left
    out.

    Parameters
    ----------
    periods : sequence of str
        Quarters, or months, in order and without gaps.
    size : int
        Quarters in a block, 1 or more.
    immature : collection of str
        Periods some of whose patients were not yet due.

    Returns
    -------
    tuple of tuple of str
        The periods of each block, in order.

    Examples
    --------
    >>> whole_blocks(["2024-Q4", "2025-Q1", "2025-Q2", "2025-Q3", "2025-Q4", "2026-Q1"], 4)
    (('2025-Q1', '2025-Q2', '2025-Q3', '2025-Q4'),)
    """
    found: dict[int, list[str]] = {}
    for one in periods:
        found.setdefault(period_number(quarter_of(one)) // size, []).append(one)
    a_quarter = 1 if all(quarter_of(one) == one for one in periods) else 3
    return tuple(
        tuple(inside)
        for inside in found.values()
        if len(inside) == size * a_quarter and not set(inside) & set(immature)
    )


def block_slice(block: Block, site: str = "") -> str:
    """Return the name of the slice of a block, of all sites or of one.

    Examples
    --------
    >>> block_slice(("2025-Q1", "2025-Q2"), "north")
    'block: 2025-Q1 to 2025-Q2, site: north'
    """
    return f"block: {block[0]} to {block[-1]}{f', site: {site}' if site else ''}"


def block_places(blocks: Sequence[Block], sites: Sequence[str]) -> dict[str, Place]:
    """Give the place of every slice of blocks, by its name."""
    return {block_slice(block, site): (block, site) for block in blocks for site in ("", *sites)}


def released_before(block: Block, window: Block, earlier: Sequence[Release]) -> Release | None:
    """Give the release that a block stays as: the first that showed it beside a window of its own.

    One that showed it as its window may not have had all data, so a block counts once more where it shares no quarter with the
    window; until then it stands as it was the last time.
    """
    showed = [one for one in earlier if any(periods == block and site for periods, site in [*one.shown, *one.hidden])]
    if block == window or not showed:
        return None
    beside = next((one for one in showed if one.window != block), None)
    return showed[-1] if beside is None and set(block) & set(window) else beside


def blocks_shown(blocks: Sequence[Block], window: Block, earlier: Sequence[Release]) -> tuple[Block, ...]:
    """Leave out the blocks that share some quarters with the window, unless an earlier release showed them.

    What both tell together of the quarters that one of them lacks would have to be hidden. A block is shown as a window in the
    release of its last quarter, so this leaves out one block at most, of whoever made no release then.
    """
    return tuple(
        one
        for one in blocks
        if one == window or not set(one) & set(window) or released_before(one, window, earlier) is not None
    )


@dataclass(frozen=True)
class Added:
    """Cells of blocks that come after those of a report, and the sums that tie both together.

    ``labels`` has quantity and slice of the cells, and ``cost`` how much one would rather keep each; ``sums`` are as of
    :meth:`analysis.statistics.small_counts.CellSystem.of`.
    """

    labels: pd.DataFrame
    counted: NDArray[np.float64]
    cost: list[float]
    sums: list[tuple[int, list[int]]]


def block_cells(
    counts: QuarterCounts,
    blocks: Sequence[Block],
    quantities: Sequence[str],
    *,
    start: int,
    at: Mapping[str, Mapping[str, int]],
) -> Added:
    """Give the cells of blocks that share no period with another or with the window, for quantities with all their parts.

    ``start`` is the number of cells before, ``at`` has those of single periods by quantity.
    """
    places = block_places(blocks, counts.sites)
    order = [(name, place) for name in quantities for place in places.values()]
    found = {key: start + i for i, key in enumerate(order)}
    sums = [
        (found[name, (block, "")], parts)
        for name in quantities
        for block in blocks
        for parts in (
            [at[name][one] for one in block],
            [found[name, (block, site)] for site in counts.sites],
        )
    ]
    sums += [
        (found[total, one], [found[part, one] for part in parts])
        for total, parts in counts.sums
        if total in quantities
        for one in places.values()
    ]
    matrices = {name: counts.matrix(name) for name in quantities}
    counted = [
        matrices[name].loc[list(block), [site] if site else counts.sites].to_numpy().sum()
        for name, (block, site) in order
    ]
    labels = pd.DataFrame({"quantity": np.repeat(quantities, len(places)), "slice": list(places) * len(quantities)})
    cost = [_OF_A_SITE if place[1] else _OF_ALL for _, place in order]
    return Added(labels, np.array(counted, dtype=float), cost, sums)


def blocks_before(blocks: Sequence[Block], window: Block, earlier: Sequence[Release]) -> pd.DataFrame:
    """Give the counts of the blocks that stay as an earlier release showed them: quantity, slice, value, hidden."""
    rows: list[tuple[str, str, float, bool]] = []
    for block in blocks:
        one = released_before(block, window, earlier)
        if one is None:
            continue
        for (periods, site), found in one.shown.items():
            rows += [
                (name, block_slice(block, site), value, False) for name, value in found.items() if periods == block
            ]
        for (periods, site), names in one.hidden.items():
            rows += [(name, block_slice(block, site), float("nan"), True) for name in names if periods == block]
    return pd.DataFrame(rows, columns=["quantity", "slice", "value", "hidden"])


def with_parts(names: Collection[str], sums: Sequence[tuple[str, tuple[str, ...]]]) -> set[str]:
    """Add the parts of quantities, and their parts.

    Examples
    --------
    >>> sorted(with_parts({"seen"}, [("due", ("seen", "lost")), ("seen", ("better", "others"))]))
    ['better', 'others', 'seen']
    """
    found = set(names)
    while more := {part for total, parts in sums if total in found for part in parts} - found:
        found |= more
    return found
