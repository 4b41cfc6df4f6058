"""A combined folder, and its counts as a quarter's report takes them: a number that is not known stays missing."""

from __future__ import annotations

import os
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.cohort.files.package_files import whole_folder, write_csv
from analysis.cohort.follow_up.as_of import day_in_words
from analysis.quarter.blocks import block_slice
from analysis.quarter.counted import STARTED
from analysis.quarter.counts import UNKNOWN_DAY, QuarterCounts
from analysis.quarter.indicators import NOT_YET_DUE
from analysis.quarter.network.counts_file import positions_of, read_counts, to_text
from analysis.quarter.network.intervals import completed, in_words
from analysis.quarter.network.shared_counts import SharedCounts
from analysis.quarter.periods import quarter_of
from analysis.quarter.released_counts import BASELINE, WINDOW, ReleasedCounts, site_slice

if TYPE_CHECKING:
    from collections.abc import Sequence

#: The file that makes a folder one of a network; the table beside it is for people.
NETWORK_FILE, TABLE_FILE = "network.json", "combined_counts_not_for_release.csv"


@dataclass(frozen=True, eq=False, repr=False)
class CombinedCounts(QuarterCounts):
    """Counts of a network, as :class:`analysis.quarter.QuarterCounts`, and which of them are not known.

    ``unknown`` has quantity, period and site of counts that a site gave as "<11" or hidden. In ``table`` stands some number that
    may be, by which nothing may be said: :func:`with_unknown_hidden` takes everything out that holds one. ``expected_words`` say
    where the case-mix model was fitted.
    """

    unknown: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["quantity", "period", "site"]))
    expected_words: str = ""


def write_combined(counts: SharedCounts, folder: str | os.PathLike[str]) -> Path:
    """Write a folder that ``kneecurve report quarter_outcomes`` takes: whole or not at all, never over another.

    Parameters
    ----------
    counts : SharedCounts
        Of :func:`analysis.quarter.network.combine`.
    folder : path
        Folder that is written: ``network.json``, and the table of :func:`combined_table`.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    CohortError
        The folder is there already or cannot be written.
    """
    target = Path(folder)
    quarter_counts(counts)  # counts that contradict each other are refused before anything is written
    with whole_folder(target, overwrite=False) as part:
        (part / NETWORK_FILE).write_text(to_text(counts), encoding="utf-8", newline="\n")
        write_csv(combined_table(counts), part / TABLE_FILE)
    return target


def read_combined(folder: str | os.PathLike[str]) -> tuple[CombinedCounts, SharedCounts]:
    """Read a folder of combined counts: as a report takes them, and as they are.

    Raises
    ------
    CohortError
        Its file cannot be read, or its counts contradict each other.
    """
    counts = read_counts(Path(folder) / NETWORK_FILE)
    return quarter_counts(counts), counts


def combined_table(counts: SharedCounts) -> pd.DataFrame:
    """Give numerator and denominator of every indicator and period over all sites, for the combining office.

    Returns
    -------
    pandas.DataFrame
        indicator, period, sites (how many), numerator, denominator, as texts: "31", or "from 31 to 40" where sites gave limits.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> from analysis.quarter.network.aggregate import aggregate
    >>> made = generate_cohort(patients=300, quarters=2, seed=2).observed
    >>> counts, _ = aggregate(made, measure="ikdc", week=26, small_counts="hidden")
    >>> combined_table(counts).columns.tolist()
    ['indicator', 'period', 'sites', 'numerator', 'denominator']
    """
    cells = counts.cells.assign(gone=counts.cells["lower"].isna())
    sums = cells.groupby(["quantity", "period"], sort=False).agg({"lower": "sum", "upper": "sum", "gone": "any"})
    sums.loc[sums["gone"], ["lower", "upper"]] = np.nan
    said = {
        key: in_words(float(low), float(high))
        for key, low, high in zip(sums.index, sums["lower"], sums["upper"], strict=True)
    }
    rows = [
        (one.label, period, len(counts.sites), said[one.numerator, period], said[one.denominator, period])
        for one in counts.definitions.indicators
        for period in counts.periods
    ]
    return pd.DataFrame(rows, columns=["indicator", "period", "sites", "numerator", "denominator"])


def quarter_counts(counts: SharedCounts) -> CombinedCounts:
    """Give shared counts as a report takes them.

    Raises
    ------
    CohortError
        Counts contradict each other.
    """
    said = counts.definitions
    whole = counts.cells[~counts.cells["quantity"].isin(said.not_counts)]
    sums_of_values = counts.cells[counts.cells["quantity"].isin(said.not_counts)]
    values = whole["lower"].to_numpy(copy=True)
    open_places = set(map(tuple, counts.unknown[["period", "site"]].drop_duplicates().to_numpy()))
    whole = whole.reset_index(drop=True)
    for place, one in whole.groupby(["period", "site"], sort=False):
        period, site = map(str, place)
        if (period, site) not in open_places:
            continue
        order_of = {quantity: position for position, quantity in enumerate(one["quantity"])}
        sums = positions_of(said.sums, order_of)
        limits = one["lower"].to_numpy(), one["upper"].to_numpy()
        values[one.index.to_numpy()] = completed(*limits, sums, where=f"{site}, {period}")
    table = pd.concat([whole.assign(value=values), sums_of_values.assign(value=sums_of_values["lower"].fillna(0.0))])
    order = {quantity: position for position, quantity in enumerate(counts.cells["quantity"].unique())}
    table = table.sort_values("quantity", key=lambda names: names.map(order), kind="stable")
    return CombinedCounts(
        said.indicators, table[["quantity", "period", "site", "value"]].reset_index(drop=True), said.sums,
        frozenset(said.not_counts), dict(counts.not_yet), _expected(counts),
        details=said.details, immature=_immature(counts), shown_too=(STARTED,), as_of=None if counts.as_of is None else counts.as_of.isoformat(),
        follow_up=UNKNOWN_DAY if counts.as_of is None else f"Data up to {day_in_words(counts.as_of)}.",
        unknown=counts.unknown[["quantity", "period", "site"]].reset_index(drop=True),
        expected_words="" if counts.expected is None else counts.expected.words,
    )  # fmt: skip


def _immature(counts: SharedCounts) -> tuple[str, ...]:
    """Give the periods some of whose patients were, or may have been, not yet due."""
    late = counts.cells[counts.cells["quantity"].eq(NOT_YET_DUE) & counts.cells["upper"].gt(0)]
    return tuple(sorted(late["period"].astype("str").unique()))


def _expected(counts: SharedCounts) -> pd.DataFrame | None:
    """Put observed and expected side by side, for periods and sites of which both are known."""
    if counts.expected is None:
        return None
    one = next((one for one in counts.definitions.indicators if one.label == counts.expected.indicator), None)
    if one is None:
        return None
    known = counts.cells[counts.cells["lower"] == counts.cells["upper"]]
    found = counts.expected.table
    for column, quantity in (("numerator", one.numerator), ("denominator", one.denominator)):
        rows = known[known["quantity"] == quantity].rename(columns={"lower": column})
        found = found.merge(rows[["period", "site", column]], on=["period", "site"])
    return found.assign(indicator=one.label)[["indicator", "period", "site", "numerator", "denominator", "expected"]]


def with_unknown_hidden(released: ReleasedCounts, counts: QuarterCounts) -> ReleasedCounts:
    """Take out of what is released every number that holds a count which is not known, and what is said of floors by one.

    Other counts than those of a network come back as they are.
    """
    if not isinstance(counts, CombinedCounts) or counts.unknown.empty:
        return released
    gone = {
        (quantity, where)
        for quantity, period, site in counts.unknown.itertuples(index=False, name=None)
        for where in _slices_with(period, site, released)
    }
    away = [key in gone for key in zip(released.table["quantity"], released.table["slice"], strict=True)]
    table = released.table.copy()
    table.loc[away, "value"] = np.nan
    table.loc[away, "hidden"] = True
    floors = {
        one.name: released.floors[one.name]
        for one in released.indicators
        if one.name in released.floors
        and not {(one.numerator, released.quarter), (one.denominator, released.quarter)} & gone
    }
    return replace(released, table=table, floors=floors)


def _slices_with(period: str, site: str, released: ReleasedCounts) -> Sequence[str]:
    """Give the slices that a period of a site is part of."""
    inside = [period, quarter_of(period)]
    inside += [BASELINE] if period in released.baseline else []
    inside += [WINDOW, site_slice(site)] if period in released.window else []
    inside += [block_slice(one, where) for one in released.blocks if period in one for where in ("", site)]
    return inside
