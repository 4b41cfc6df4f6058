"""Sites over blocks of quarters: what can be shown of each, counted and in words; nothing is tested there and nothing rounded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from analysis.counted import form
from analysis.quarter.blocks import released_before, whole_blocks
from analysis.quarter.periods import quarter_in_words, quarter_of
from analysis.quarter.value_interval import value_interval
from analysis.report.parts import numbers

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.quarter import Indicator, ReleasedCounts

_QUARTERS_IN_A_YEAR = 4


@dataclass(frozen=True)
class OverBlocks:
    """An indicator of every site over blocks of quarters, and over the window beside them.

    Attributes
    ----------
    indicator : Indicator
        What is followed.
    level : float
        Confidence level.
    spans : tuple of str
        The blocks in words, in order, and the window last where it is no block.
    blocks : int
        How many of them are blocks.
    sites : tuple of str
        Sites by name.
    rows : pandas.DataFrame
        One row a span and site, the site of all of them empty: span (its position), site, numerator, denominator, value, lower,
        upper, hidden.
    waiting : tuple of str
        Blocks left out because they share some quarters with the window.
    as_released : bool
        Whether a block stands as an earlier release showed it.
    """

    indicator: Indicator
    level: float
    spans: tuple[str, ...]
    blocks: int
    sites: tuple[str, ...]
    rows: pd.DataFrame
    waiting: tuple[str, ...]
    as_released: bool

    def of(self, site: str) -> pd.DataFrame:
        """Give the rows of a site, or of all of them, in the order of the spans."""
        return self.rows[self.rows["site"] == site]

    @property
    def shown(self) -> pd.DataFrame:
        """The rows of single sites that have a value."""
        return self.rows[self.rows["site"].ne("") & self.rows["value"].notna()]

    @property
    def drawn(self) -> tuple[str, ...]:
        """Sites of which at least one span can be shown."""
        there = set(self.shown["site"])
        return tuple(one for one in self.sites if one in there)


def over_blocks(released: ReleasedCounts, indicator: Indicator, *, size: int, level: float) -> OverBlocks:
    """Set the released values of every site over blocks of so many quarters beside those of the window."""
    found = released.by_block(indicator)
    blocks = list(released.blocks)
    columns = ["site", "numerator", "denominator", "value", "hidden"]
    rows = found[columns].assign(span=[blocks.index(one) for one in found["block"]])
    if released.window not in blocks:
        whole, by_site = released.of(indicator, ["window"]).assign(site=""), released.by_site(indicator)
        rows = pd.concat([rows, *(one[columns].assign(span=len(blocks)) for one in (whole, by_site))])
    rows = rows.reset_index(drop=True)
    limits = [
        value_interval(indicator.kind, numerator, denominator, level=level)
        for numerator, denominator in rows[["numerator", "denominator"]].to_numpy()
    ]
    rows[["lower", "upper"]] = pd.DataFrame(limits, index=rows.index, columns=["lower", "upper"], dtype=float)
    every = whole_blocks(released.periods, size, immature=released.immature)
    spans = [span_words(one) for one in blocks]
    return OverBlocks(
        indicator, level, (*spans, *([] if released.window in blocks else [span_words(released.window)])), len(blocks),
        released.sites, rows, tuple(span_words(one) for one in every if one not in blocks),
        any(released_before(one, released.window, released.earlier) is not None for one in blocks),
    )  # fmt: skip


def span_words(periods: Sequence[str]) -> str:
    """Name a span of periods: a calendar year by its number.

    Examples
    --------
    >>> span_words(["2025-Q1", "2025-Q2", "2025-Q3", "2025-Q4"]), span_words(["2024-Q4", "2025-Q1"])
    ('2025', 'Q4 2024 to Q1 2025')
    """
    quarters = list(dict.fromkeys(quarter_of(one) for one in periods))
    if len(quarters) == _QUARTERS_IN_A_YEAR and quarters[0].endswith("Q1"):
        return quarters[0].split("-")[0]
    first, last = quarter_in_words(quarters[0]), quarter_in_words(quarters[-1])
    return first if first == last else f"{first} to {last}"


def over_blocks_words(found: OverBlocks) -> list[str]:
    """Say of how many sites and blocks a value can be shown, what is hidden, and that nothing was tested."""
    n, spans = len(found.sites), len(found.spans)
    total, shown = n * spans, len(found.shown)
    hidden = int((found.rows["site"].ne("") & found.rows["hidden"]).sum())
    over = f"over {numbers.plural(spans, 'span')} of quarters" if spans > 1 else "over one span of quarters"
    said = [
        (
            f"{found.indicator.title} of {numbers.plural(n, 'site')} {over}: {shown} of {numbers.plural(total, 'value')} can be "
            f"shown{_why(hidden, total - shown - hidden)}."
        )
    ]
    without = n - len(found.drawn)
    if without:
        which = "One site has" if without == 1 else f"Of the sites {without} have"
        stands = "it has no panel and stands" if without == 1 else "they have no panel and stand"
        said.append(f"{which} no value that can be shown: {stands} in the table alone.")
    said.append(
        "No rule and no test was applied to these values: each interval is that of one value, and a rise or a fall is no finding."
    )
    return said


def over_blocks_told(found: OverBlocks) -> str:
    """Say in a sentence what is drawn: between which values the sites lie in the last span, and the line of all of them."""
    last = len(found.spans) - 1
    at = found.shown[found.shown["span"] == last]
    whole = found.of("")[found.of("")["span"] == last]["value"].iloc[0]
    panels = numbers.plural(len(found.drawn), "site")
    every = "hidden" if numbers.is_missing(whole) else numbers.share(whole)
    among = (
        f"the {numbers.plural(len(at), 'value')} shown from {numbers.share(at['value'].min())} to {numbers.share(at['value'].max())}"
        if len(at) > 1
        else f"the one value shown {numbers.share(at['value'].iloc[0])}"
        if len(at)
        else "no value of a site shown"
    )
    return (
        f"Panels of {panels} by name, {found.spans[0]}{f' to the span {found.spans[-1]}' if last else ''}: in {found.spans[-1]} "
        f"{among}, all sites together {every}."
    )


def over_blocks_caption(found: OverBlocks, *, one_site: bool = False) -> str:
    """Say what the marks are, how blocks are cut, and which block is not shown yet."""
    percent = numbers.level_in_words(found.level)
    whose = "the network, all sites together" if one_site else "all sites together"
    said = [f"{found.indicator.label}. Marks: the share with its {percent} interval (Wilson); line: {whose}."]
    if found.blocks:
        said.append("Blocks of quarters are cut by the calendar, so they do not move from release to release.")
    if len(found.spans) > found.blocks:
        said.append("The open mark is the span over which sites are compared, and may share quarters with a block.")
    if found.as_released:
        said.append("Blocks stand as they were first released beside later quarters, whatever late data brought.")
    said += [
        (
            f"The block {one} shares some quarters with the last span, so that both together would tell of the others; it is shown "
            "when it shares none."
        )
        for one in found.waiting
    ]
    if found.rows["hidden"].any():
        said.append("“Hidden”: because of small counts.")
    return " ".join(said)


def _why(hidden: int, empty: int) -> str:
    """Say how many values are not shown and why; nothing where all are."""
    said = [f"{hidden} {form(hidden, 'is')} hidden because of small counts"] if hidden else []
    if empty:
        said.append(f"{empty} {form(empty, 'has')} nobody to judge")
    return f"; {numbers.listed(said)}" if said else ""
