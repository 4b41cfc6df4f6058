"""Counts by group over a whole year, small ones hidden, kept as they were first released."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.quarter.access.strata import GROUPED_BY, in_order
from analysis.quarter.ledger.entries import KeptYear
from analysis.quarter.periods import quarter_of
from analysis.statistics.small_counts import CellSystem, hide_small_cells

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.quarter.counts import QuarterCounts

_QUARTERS = ("Q1", "Q2", "Q3", "Q4")
#: What a reader is taken to know anyway is never hidden in place of a group.
_KNOWN = 1e6


@dataclass(frozen=True)
class Compared:
    """A share that groups are compared by: quantities of its numerator and its denominator, and how readers say it."""

    name: str
    numerator: str
    denominator: str
    label: str


@dataclass(frozen=True, eq=False)
class StratumCounts:
    """Counts by group over a year.

    Attributes
    ----------
    year : str
        The year, as 2025.
    defined : str
        What the quantities mean, as it was when the year was first released.
    table : pandas.DataFrame
        One row a kind of group, group and quantity: kind, group, quantity, value (missing where hidden).
    kept : bool
        Whether they stand as an earlier release showed them.
    """

    year: str
    defined: str
    table: pd.DataFrame
    kept: bool = False

    def value(self, kind: str, group: str, quantity: str) -> float:
        """Give a count; missing where it is hidden."""
        rows = self.table[
            (self.table["kind"] == kind) & (self.table["group"] == group) & (self.table["quantity"] == quantity)
        ]
        return float(rows["value"].iloc[0]) if len(rows) else float("nan")

    def groups(self, kind: str) -> list[str]:
        """Give the groups of a kind, in order."""
        return in_order(list(dict.fromkeys(self.table.loc[self.table["kind"] == kind, "group"])))

    @property
    def kinds(self) -> list[str]:
        """What patients are grouped by."""
        held = set(self.table["kind"])
        return [one for one in GROUPED_BY if one in held]


def kept_year(counts: StratumCounts, quarter: str, as_of: str | None) -> KeptYear:
    """Give what a release ledger keeps of a year that a release of a quarter and a day told first."""
    rows = counts.table[["kind", "group", "quantity", "value"]].itertuples(index=False)
    kept = tuple(
        (str(kind), str(group), str(name), None if value != value else float(value))
        for kind, group, name, value in rows
    )
    return KeptYear(counts.year, counts.defined, kept, quarter, as_of or "")


def as_kept(year: KeptYear, *, earlier: bool) -> StratumCounts:
    """Give the counts of a year as they were released; by an ``earlier`` release, or by the one that is made again."""
    table = pd.DataFrame(list(year.rows), columns=["kind", "group", "quantity", "value"])
    return StratumCounts(year.year, year.defined, table.astype({"value": float}), kept=earlier)


def whole_year(counts: QuarterCounts, periods: Sequence[str]) -> str:
    """Give the last calendar year that lies within the periods and all of whose patients were due; empty for none.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.quarter import QuarterCounts
    >>> rows = [("started", f"{year}-Q{q}", "a", 20) for year in (2024, 2025) for q in (1, 2, 3, 4)]
    >>> counts = QuarterCounts((), pd.DataFrame(rows, columns=["quantity", "period", "site", "value"]), immature=("2025-Q4",))
    >>> whole_year(counts, counts.periods)
    '2024'
    """
    quarters = {quarter_of(one) for one in periods}
    late = {quarter_of(one) for one in counts.immature}
    years = sorted({one[:4] for one in quarters}, reverse=True)
    return next(
        (year for year in years if all(f"{year}-{q}" in quarters and f"{year}-{q}" not in late for q in _QUARTERS)), ""
    )


def stratum_counts(
    people: pd.DataFrame,
    groups: pd.DataFrame,
    shares: Sequence[Compared],
    *,
    year: str,
    defined: str,
    hidden: bool = True,
) -> StratumCounts:
    """Count the shares of a year by group, and hide what must not be shown.

    Parameters
    ----------
    people : pandas.DataFrame
        One row a patient: period, and for each quantity whether the patient is counted in it.
    groups : pandas.DataFrame
        The groups of each patient, by the same index: a column for each kind.
    shares : sequence of Compared
        What groups are compared by; a numerator counts some of the patients of its denominator.
    year : str
        The year, as 2025.
    defined : str
        What the quantities mean.
    hidden : bool
        Whether small counts are hidden; otherwise for the team itself, never for release.

    Returns
    -------
    StratumCounts
        Of every quantity and group.

    Notes
    -----
    A reader is taken to know the counts of all patients of the year, so that within each kind the groups alone protect one
    another. Nothing is shown of two kinds at once; where groups of two kinds hold the same patients, such as those of whom neither
    is recorded, one protects the other too. A year is counted when it is first released and
    stands as released from then on, and years do not overlap, so that no two releases can be subtracted.
    """
    inside = people[people["period"].map(lambda one: one[:4] == year)]
    here = groups.loc[inside.index]
    columns = ["kind", "group", "quantity", "value"]
    made = [_kind(inside, here[kind], str(kind), shares) for kind in here]
    if not made:
        return StratumCounts(year, defined, pd.DataFrame(columns=columns))
    cells = pd.concat([one for one, _ in made], ignore_index=True)
    starts = np.cumsum([0, *(len(one) for one, _ in made)])
    sums = [
        (start + total, [start + part for part in parts])
        for start, (_, its) in zip(starts, made, strict=False)
        for total, parts in its
    ]
    sums += [(one, [other]) for one, other in _the_same(cells, here)]
    gone = np.zeros(len(cells), dtype=bool)
    if hidden:
        of_all = cells["group"].isna().to_numpy()
        cost = np.where(of_all, _KNOWN, 1.0)
        system = CellSystem.of(
            cells["value"].to_numpy(), sums, released=cells["shown"] | of_all, whole=~of_all, cost=cost
        )
        gone = hide_small_cells(system)
        # Nothing of a kind can be shown beside what is known of all.
        gone |= cells["kind"].isin(set(cells.loc[gone & of_all, "kind"])).to_numpy()
    table = cells.assign(value=cells["value"].mask(gone))[cells["shown"] & cells["group"].notna()]
    return StratumCounts(year, defined, table[columns].reset_index(drop=True))


def _kind(
    people: pd.DataFrame, group: pd.Series, kind: str, shares: Sequence[Compared]
) -> tuple[pd.DataFrame, list[tuple[int, list[int]]]]:
    """Give the counts of a kind, the group of all patients missing, whether they would be shown, and the sums between them."""
    names = [*in_order(list(group.unique())), None]
    shown = list(dict.fromkeys(name for one in shares for name in (one.denominator, one.numerator)))
    flags = {name: people[name].astype(bool) for name in shown}
    every = {**flags, **{f"not {one.name}": flags[one.denominator] & ~flags[one.numerator] for one in shares}}
    first = {name: place * len(names) for place, name in enumerate(every)}
    rows = [
        (kind, one, name, float(flag.sum() if one is None else (flag & (group == one)).sum()), name in shown)
        for name, flag in every.items()
        for one in names
    ]
    sums = [(at + len(names) - 1, [at + i for i in range(len(names) - 1)]) for at in first.values()]
    sums += [
        (first[one.denominator] + i, [first[one.numerator] + i, first[f"not {one.name}"] + i])
        for one in shares
        for i in range(len(names))
    ]
    return pd.DataFrame(rows, columns=["kind", "group", "quantity", "value", "shown"]), sums


def _the_same(cells: pd.DataFrame, groups: pd.DataFrame) -> list[tuple[int, int]]:
    """Pair the counts of groups of two kinds that hold the same patients, as those whose form is missing altogether."""
    members: dict[tuple[int, ...], tuple[str, str]] = {}
    at = {
        (kind, group, name): i for i, (kind, group, name) in enumerate(cells[["kind", "group", "quantity"]].to_numpy())
    }
    pairs = []
    for kind in groups:
        for group, inside in groups.groupby(groups[kind], observed=True).groups.items():
            kept = members.setdefault(tuple(sorted(inside)), (str(kind), str(group)))
            if kept[0] != kind:
                pairs += [(at[(*kept, name)], at[str(kind), str(group), name]) for name in cells["quantity"].unique()]
    return pairs
