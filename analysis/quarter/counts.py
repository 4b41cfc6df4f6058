"""What a quarter's report counts: indicators, and their counts by period and site before anything is hidden."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import pandas as pd

from analysis.errors import CohortError
from analysis.quarter.periods import every_period, is_quarter, period_number, quarter_of
from analysis.result import Result

if TYPE_CHECKING:
    from collections.abc import Sequence

#: share: some of the patients; rate: events per patient; mean: a sum of values per patient.
IndicatorKind = Literal["share", "rate", "mean"]
#: outcome: what the programme is for; process: whether it was seen to; balancing: what must not get worse meanwhile.
Role = Literal["outcome", "process", "balancing"]
Better = Literal["higher", "lower", "neither"]

#: Name of the site where a cohort or an aggregate names none.
ALL_SITES = "all"
NO_SITE = "site not recorded"
UNKNOWN_DAY = "Up to when the counts were collected is not said."


@dataclass(frozen=True)
class Indicator:
    """One thing that is followed from quarter to quarter.

    Parameters
    ----------
    name : str
        Short name.
    label : str
        Name for readers.
    kind : {"share", "rate", "mean"}
        What numerator over denominator is.
    role : {"outcome", "process", "balancing"}
        What it is for.
    better : {"higher", "lower", "neither"}
        Which way is better.
    numerator, denominator : str
        Names of the quantities that are divided.
    numerator_words, denominator_words : str
        What the two count.
    unit : str
        Unit of a mean; of a rate, what the number shown is per.
    per : float
        Factor of a rate when it is shown, 100 for events per 100 patients.
    floor : float
        For completeness: share that is asked for; NaN where none is.
    short : str
        A few words for titles; the label where it is empty.
    target : float
        Value that is aimed at, on the scale of numerator over denominator; NaN where none is.
    """

    name: str
    label: str
    kind: IndicatorKind
    role: Role
    better: Better
    numerator: str
    denominator: str
    numerator_words: str
    denominator_words: str
    unit: str = ""
    per: float = 1.0
    floor: float = float("nan")
    short: str = ""
    target: float = float("nan")

    @property
    def is_completeness(self) -> bool:
        """Whether it says how many of the patients due have a value, against a floor."""
        return self.role == "process" and self.kind == "share" and self.floor == self.floor

    @property
    def unit_words(self) -> str:
        """The unit of a value; of a rate without one what it is per; empty for a share."""
        if self.kind != "rate" or self.unit:
            return "" if self.kind == "share" else self.unit
        return "per patient" if "patient" in self.denominator_words else "per unit of the denominator"

    @property
    def title(self) -> str:
        """A few words for titles."""
        return self.short or self.label


@dataclass(frozen=True, eq=False, repr=False)
class QuarterCounts(Result):
    """Counts by period and site, as they are: not for release.

    Parameters
    ----------
    indicators : tuple of Indicator
        What is followed.
    table : pandas.DataFrame
        One row a quantity, period and site: quantity, period, site, value. Quantities are counts of patients or
        events, and sums of values for means. What is not in it was zero.
    sums : tuple of (str, tuple of str)
        Quantities that are the sum of others, everywhere.
    not_counts : frozenset of str
        Quantities that are sums of values and not counts.
    not_yet : mapping of str to tuple of str
        Quantity of a denominator and the periods whose patients were not yet due.
    expected : pandas.DataFrame or None
        site, indicator, observed, expected, information of the case-mix model, where aggregates bring them.

    details : tuple of Indicator
        Parts of an indicator that are shown in the quarter and the baseline only, without charts.
    immature : tuple of str
        Periods some of whose patients were not yet due by the as-of date.
    shown_too : tuple of str
        Quantities that are shown beside those of the indicators.
    as_of : str or None
        Day up to which the data were collected, as 2026-03-31; None where nobody said.
    follow_up : str
        The same in a sentence.

    Raises
    ------
    CohortError
        A period cannot be read, or quarters and months are mixed.
    """

    indicators: tuple[Indicator, ...]
    table: pd.DataFrame
    sums: tuple[tuple[str, tuple[str, ...]], ...] = ()
    not_counts: frozenset[str] = frozenset()
    not_yet: dict[str, tuple[str, ...]] = field(default_factory=dict)
    expected: pd.DataFrame | None = None
    details: tuple[Indicator, ...] = ()
    immature: tuple[str, ...] = ()
    shown_too: tuple[str, ...] = ()
    as_of: str | None = None
    follow_up: str = UNKNOWN_DAY

    def __post_init__(self) -> None:
        every_period(self.table["period"])

    def _headline(self) -> str:
        return (
            f"Counts of {len(self.indicators)} indicators, {self.periods[0]} to {self.periods[-1]}, "
            f"{len(self.sites)} sites; not for release"
        )

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        return {}

    def _shown_notes(self) -> list[str]:
        return ["release(...) gives what may be shown; the counts as they are: .table."]

    @cached_property
    def periods(self) -> list[str]:
        """Every period from the first to the last, in order."""
        return every_period(self.table["period"])

    @cached_property
    def quarters(self) -> list[str]:
        """Every quarter from the first to the last, in order."""
        return every_period(dict.fromkeys(quarter_of(one) for one in self.periods))

    @cached_property
    def sites(self) -> list[str]:
        """Sites by name; never by result."""
        return sorted(dict.fromkeys(self.table["site"].astype("str")))

    @property
    def by_month(self) -> bool:
        """Whether periods are months."""
        return bool(self.periods) and not is_quarter(self.periods[0])

    def matrix(self, quantity: str) -> pd.DataFrame:
        """Give a quantity, one row a period and one column a site, zero where nothing was counted.

        Parameters
        ----------
        quantity : str
            Its name.

        Returns
        -------
        pandas.DataFrame
            Periods from the first to the last by sites in the order of :attr:`sites`.
        """
        found = self._summed[self._summed.index.get_level_values(0) == quantity].droplevel(0)
        return found.reindex(index=self.periods, columns=self.sites, fill_value=0.0).fillna(0.0)

    @cached_property
    def _summed(self) -> pd.DataFrame:
        """Every quantity by period, a column a site."""
        keys = ["quantity", "period"]
        return self.table.pivot_table(index=keys, columns="site", values="value", aggfunc="sum", observed=True)

    def periods_of(self, quarters: Sequence[str]) -> list[str]:
        """Give the periods of the quarters named, in order."""
        return [one for one in self.periods if quarter_of(one) in set(quarters)]


def check_quarter(counts: QuarterCounts, quarter: str | None) -> str:
    """Return the quarter that is reported.

    Parameters
    ----------
    counts : QuarterCounts
        The counts.
    quarter : str, optional
        The quarter asked for; by default the last one all of whose patients were due, otherwise the last.

    Returns
    -------
    str
        The quarter.

    Raises
    ------
    CohortError
        There are no data at all, or none in that quarter.
    """
    there = counts.quarters
    if not there or not counts.table["value"].gt(0).any():
        raise CohortError(
            "There is nothing to report: no patient has a quarter.",
            where="column quarter of the patients, or rows of the aggregates",
            what_to_do="Check what was imported.",
        )
    if quarter is None:
        late = {quarter_of(one) for one in counts.immature}
        return next((one for one in reversed(there) if one not in late), there[-1])
    period_number(quarter)
    held = counts.table.loc[counts.table["value"] > 0, "period"]
    if not is_quarter(quarter) or quarter not in {quarter_of(one) for one in held}:
        raise CohortError(
            f"There are no data in the quarter {quarter}.",
            where=f"quarters with data: {', '.join(sorted({quarter_of(one) for one in held}))}",
            what_to_do="Name one of these quarters, or leave the parameter out for the last one.",
        )
    return quarter
