"""Counts as they may be shown: the small ones and those beside them hidden, once, before anything is computed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from analysis.quarter.ledger.entries import Place, Release
from analysis.quarter.ledger.protection import Protected, hide_beside_earlier
from analysis.quarter.ledger.system import Cell
from analysis.quarter.periods import period_number, quarter_before, quarter_of
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
#: How many times rather a count is shown that was shown before, or hidden that was hidden.
_AGAIN = 50.0
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
    earlier: Sequence[Release] = (),
    stored: bool = False,
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
    kept = _stored(tuple(baseline), earlier) if stored else None
    slices = _Slices(counts, periods, quarter, tuple(baseline) if kept is None else (), tuple(window))
    cells, labels, floors = _cell_system(counts, slices, by_site)
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
    if kept is not None:
        table = pd.concat([table, kept.reindex(columns=table.columns)], ignore_index=True)
    return ReleasedCounts(
        counts.indicators, table, quarter, quarter_before(quarter), tuple(periods), tuple(baseline), tuple(window),
        tuple(counts.sites), small_counts, counts.not_yet, floors, counts.details, counts.immature,
        counts.as_of, counts.follow_up, len(earlier), beside, told, tuple(earlier),
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


def as_release(released: ReleasedCounts, signals: Sequence[tuple[str, str, str]] = ()) -> Release:
    """Give what a release shows, for the ledger."""
    shown: dict[Place, dict[str, float]] = {}
    hidden: dict[Place, list[str]] = {}
    stored = any(one.baseline == released.baseline for one in released.earlier)
    used = {name for one in (*released.indicators, *released.details) for name in (one.numerator, one.denominator)}
    for quantity, name, value, is_hidden in released.table[["quantity", "slice", "value", "hidden"]].itertuples(
        index=False
    ):
        if name == BASELINE and stored:
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


def _cell_system(
    counts: QuarterCounts, slices: _Slices, by_site: Sequence[str] | None
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
