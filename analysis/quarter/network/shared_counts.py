"""The counts of one site or of several, with their definitions; small ones may be known within limits only."""

from __future__ import annotations

import datetime
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from analysis.cohort.provenance import Source
from analysis.counted import counted
from analysis.quarter.counts import Indicator
from analysis.result import Result

if TYPE_CHECKING:
    import pandas as pd

#: Numbers of an indicator that it may lack.
_MAY_BE_NONE = ("floor", "target")
#: How small counts stand in a file: as they are, or as a text.
SmallInFile = Literal["shown", "hidden"]


@dataclass(frozen=True)
class Definitions:
    """What was counted: two files can be added up where these are equal.

    ``sums`` are quantities that are the sum of others everywhere, ``not_counts`` quantities that are sums of values, ``details``
    parts of indicators without charts of their own.
    """

    measure: str
    label: str
    week: float
    indicators: tuple[Indicator, ...]
    sums: tuple[tuple[str, tuple[str, ...]], ...]
    not_counts: tuple[str, ...]
    details: tuple[Indicator, ...] = ()

    @property
    def quantities(self) -> list[str]:
        """Every quantity that an indicator or a sum names, in their order."""
        of_indicators = [name for one in (*self.indicators, *self.details) for name in (one.denominator, one.numerator)]
        return list(dict.fromkeys([*of_indicators, *(name for total, parts in self.sums for name in (total, *parts))]))


@dataclass(frozen=True)
class ExpectedSums:
    """What a shared case-mix model expects of the patients of an indicator: sums by period and site.

    ``model`` is the SHA-256 of the model, ``words`` say where it was fitted and on what; ``table`` has period, site, expected.
    """

    model: str
    words: str
    indicator: str
    table: pd.DataFrame


@dataclass(frozen=True, eq=False, repr=False)
class SharedCounts(Result):
    """Counts by period and site without patients: for the combining office, not for release.

    Parameters
    ----------
    definitions : Definitions
        What was counted.
    cells : pandas.DataFrame
        One row a quantity, period and site: quantity, period, site, lower, upper (equal where the number is known; both
        missing for a sum of values that is hidden; the upper one infinite where nothing limits it).
    not_yet : dict of str to tuple of str
        Quantity of a denominator and the periods whose patients were not yet due.
    small_counts : {"shown", "hidden"}
        Whether counts from 1 to 10 are given as they are.
    as_of : datetime.date or None
        The day on which the data were taken, where the cohort says it.
    expected : ExpectedSums or None
        Sums of a shared case-mix model.
    notes : tuple of str
        How was counted, in sentences without counts.
    kit : str
        Version of the kit that counted.
    source : str
        The file it was read from; empty where it was not.
    files : tuple of Source
        The files that were combined, with their hashes.
    """

    definitions: Definitions
    cells: pd.DataFrame
    not_yet: dict[str, tuple[str, ...]] = field(default_factory=dict)
    small_counts: SmallInFile = "shown"
    as_of: datetime.date | None = None
    expected: ExpectedSums | None = None
    notes: tuple[str, ...] = ()
    kit: str = ""
    source: str = ""
    files: tuple[Source, ...] = ()

    @property
    def sites(self) -> list[str]:
        """Sites by name."""
        return sorted(self.cells["site"].astype("str").unique())

    @property
    def periods(self) -> list[str]:
        """Periods in order."""
        return sorted(self.cells["period"].astype("str").unique())

    @property
    def unknown(self) -> pd.DataFrame:
        """The cells whose number is not known: quantity, period, site, lower, upper."""
        known = np.isclose(self.cells["lower"], self.cells["upper"], rtol=0, atol=0)
        return self.cells[~known]

    def _headline(self) -> str:
        return f"Counts of {counted(len(self.sites), 'site')}, {self.periods[0]} to {self.periods[-1]}; not for release"

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        return {}


def as_plain(indicator: Indicator) -> dict[str, Any]:
    """Give an indicator as JSON has it: a floor or a target that is none is null.

    Examples
    --------
    >>> one = Indicator("better", "Better", "share", "outcome", "higher", "better", "seen", "better", "seen")
    >>> as_plain(one)["floor"] is None, from_plain(as_plain(one)).label
    (True, 'Better')
    """
    said = asdict(indicator)
    return said | {name: None if np.isnan(said[name]) else said[name] for name in _MAY_BE_NONE}


def from_plain(said: dict[str, Any]) -> Indicator:
    """Make the indicator that :func:`as_plain` gave; raises TypeError or ValueError where it is none."""
    numbers = {name: float("nan") if said.get(name) is None else float(said[name]) for name in _MAY_BE_NONE}
    texts = {name: value for name, value in said.items() if name not in (*_MAY_BE_NONE, "per")}
    if not all(isinstance(value, str) for value in texts.values()):
        raise TypeError("texts of an indicator")
    if (said["kind"] not in ("share", "rate", "mean") or said["role"] not in ("outcome", "process", "balancing")
            or said["better"] not in ("higher", "lower", "neither")):  # fmt: skip
        raise ValueError("kind, role or better of an indicator")
    return Indicator(**texts, per=float(said["per"]), floor=numbers["floor"], target=numbers["target"])
