"""Counts as they may be shown: the small ones and those beside them hidden, once, before anything is computed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from analysis.quarter.periods import period_number, quarter_before
from analysis.result import Result
from analysis.statistics.small_counts import LARGEST_HIDDEN, CellSystem, hide_small_cells

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from analysis.quarter.counts import Indicator, QuarterCounts

SmallCounts = Literal["hidden", "shown"]

#: How much one would rather keep a cell: a site, a period, a quarter that is compared, a total.
_SITE, _PERIOD, _QUARTER, _TOTAL = 1.0, 2.0, 12.0, 60.0
#: How many times more a cell is worth that is shown without the further indicators by site.
_KEPT = 1000.0
#: The same of quantities, by what the indicators that need them are for.
_WORTH = {"outcome": 3.0, "balancing": 2.0, "process": 1.0}
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
            were not yet due).
        """
        rows = []
        late = self.not_yet.get(indicator.denominator, ())
        for name in slices:
            numerator, denominator = self.value(indicator.numerator, name), self.value(indicator.denominator, name)
            hidden = self.is_hidden(indicator.numerator, name) or self.is_hidden(indicator.denominator, name)
            ratio = numerator / denominator if denominator > 0 else np.nan
            rows.append((name, numerator, denominator, ratio, hidden, name in late))
        return pd.DataFrame(rows, columns=["slice", "numerator", "denominator", "value", "hidden", "not_yet"])

    def by_period(self, indicator: Indicator) -> pd.DataFrame:
        """Give an indicator by period: period, numerator, denominator, value, hidden, not_yet."""
        return self.of(indicator, self.periods).rename(columns={"slice": "period"})

    def by_site(self, indicator: Indicator) -> pd.DataFrame:
        """Give an indicator by site over the window: site, numerator, denominator, value, hidden."""
        found = self.of(indicator, [site_slice(one) for one in self.sites])
        return found.assign(site=list(self.sites)).drop(columns=["slice", "not_yet"])


def site_slice(site: str) -> str:
    """Return the name of the slice of a site."""
    return f"site: {site}"


def release(
    counts: QuarterCounts,
    quarter: str,
    *,
    baseline: Sequence[str],
    window: Sequence[str],
    by_site: Sequence[str] | None = None,
    keep: ReleasedCounts | None = None,
    small_counts: SmallCounts = "hidden",
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
    tell : callable, optional
        Told of the small counts dealt with and their total.

    Returns
    -------
    ReleasedCounts
        For every quantity: each period, the quarter and the one before, the baseline, the window, each site over the
        window, and all periods.

    Notes
    -----
    One system of sums holds all quantities and slices: periods add up to quarters and to the baseline, sites to the
    window, parts of a quantity to the quantity. A reader who adds and subtracts anything shown stays within it.
    """
    periods = [one for one in counts.periods if period_number(one) <= period_number(counts.periods_of([quarter])[-1])]
    slices = _Slices(counts, periods, quarter, tuple(baseline), tuple(window))
    cells, labels, floors = _cell_system(counts, slices, by_site)
    if keep is not None:
        shown_there = ~keep.table["hidden"].to_numpy(dtype=bool)[: len(labels)]
        cells.cost[: len(labels)][shown_there] *= _KEPT
    hidden = hide_small_cells(cells, tell=tell) if small_counts == "hidden" else np.zeros(len(cells.values), dtype=bool)
    shown = np.where(hidden, np.nan, cells.values)[: len(labels)]
    table = pd.concat([labels.assign(value=shown, hidden=hidden[: len(labels)])], ignore_index=True)
    table = pd.concat([table, _sums_of_values(counts, slices, table)], ignore_index=True)
    return ReleasedCounts(
        counts.indicators, table, quarter, quarter_before(quarter), tuple(periods), tuple(baseline), tuple(window),
        tuple(counts.sites), small_counts, counts.not_yet, floors,
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
    ) -> None:
        self.counts = counts
        self.periods = periods
        self.quarter = quarter
        before = quarter_before(quarter)
        held = {name: [one for one in counts.periods_of([name]) if one in periods] for name in (before, quarter)}
        quarters = {name: inside for name, inside in held.items() if inside and name not in periods}
        self.of_periods = {**quarters, BASELINE: list(baseline), WINDOW: list(window)}
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

    def sums(self) -> list[tuple[int, list[int]]]:
        """Give the sums between slices, by their positions."""
        place = {name: position for position, name in enumerate(self.names)}
        found = [(place[name], [place[one] for one in inside]) for name, inside in self.of_periods.items()]
        return [*found, (place[WINDOW], [place[site_slice(one)] for one in self.counts.sites])]


def _cell_system(
    counts: QuarterCounts, slices: _Slices, by_site: Sequence[str] | None
) -> tuple[CellSystem, pd.DataFrame, dict[str, bool]]:
    """Put every quantity in every slice into one system, with what is said about floors."""
    quantities = [one for one in dict.fromkeys(counts.table["quantity"]) if one not in counts.not_counts]
    used: dict[str, float] = {}
    for one in counts.indicators:
        for name in (one.numerator, one.denominator):
            used[name] = used.get(name, 0.0) + _WORTH[one.role]
    width = len(slices.names)
    first = {quantity: position * width for position, quantity in enumerate(quantities)}
    values = np.concatenate([slices.values(quantity) for quantity in quantities]) if quantities else np.zeros(0)
    between = slices.sums()
    sums = [
        (first[quantity] + total, [first[quantity] + part for part in parts])
        for quantity in quantities
        for total, parts in between
    ]
    sums += [
        (first[total] + position, [first[part] + position for part in parts])
        for total, parts in counts.sums
        for position in range(width)
    ]
    labels = pd.DataFrame({"quantity": np.repeat(quantities, width), "slice": slices.names * len(quantities)})
    shown = labels["quantity"].isin(list(used))
    if by_site is not None:
        of_sites = {
            name for one in counts.indicators if one.name in by_site for name in (one.numerator, one.denominator)
        }
        within = labels["slice"].isin([WINDOW, *(site_slice(one) for one in counts.sites)])
        shown &= ~within | labels["quantity"].isin(of_sites)
    floors, more, gaps = {}, [], []
    for one in counts.indicators:
        at = slices.names.index(slices.quarter)
        counted, among = values[first[one.numerator] + at] if one.numerator in first else 0.0, np.nan
        if one.denominator in first and one.kind == "share" and np.isfinite(one.floor):
            among = values[first[one.denominator] + at]
        # Said only where both answers leave room for more patients than a small count.
        if (1 - one.floor) * among > LARGEST_HIDDEN:
            floors[one.name] = bool(counted >= one.floor * among)
            sign = 1.0 if floors[one.name] else -1.0
            gaps.append(sign * (counted - one.floor * among))
            cell = {first[one.numerator] + at: sign, first[one.denominator] + at: -sign * one.floor}
            more.append({**cell, len(values) + len(gaps) - 1: -1.0})
    system = CellSystem.of(
        np.concatenate([values, np.maximum(gaps, 0.0)]),
        sums,
        released=[*shown, *[False] * len(gaps)],
        whole=[True] * len(values) + [False] * len(gaps),
        cost=[*np.outer([used.get(one, 1.0) for one in quantities], slices.cost).ravel(), *[1.0] * len(gaps)],
        more=more,
    )
    return system, labels, floors


def _sums_of_values(counts: QuarterCounts, slices: _Slices, shown: pd.DataFrame) -> pd.DataFrame:
    """Give the sums that means are made of; hidden where the patients they are sums of are."""
    found = []
    for one in counts.indicators:
        if one.numerator in counts.not_counts:
            hidden = shown.loc[shown["quantity"] == one.denominator, "hidden"].to_numpy(dtype=bool)
            values = np.where(hidden, np.nan, slices.values(one.numerator))
            frame = {"quantity": one.numerator, "slice": slices.names, "value": values, "hidden": hidden}
            found.append(pd.DataFrame(frame))
    return pd.concat(found, ignore_index=True) if found else shown.iloc[:0]
