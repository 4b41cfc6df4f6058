"""How many patients of one table or file are in another: where identifiers are written differently, tables do not link."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from analysis.cohort.text_columns import is_among

#: A smaller share that links is an error (design choice): most patients would lose what the other table says of them.
FEWEST_LINKED = 0.5


@dataclass(frozen=True)
class Link:
    """How many of the patients of a table are in another one."""

    table: str
    found: int
    total: int

    @property
    def whole(self) -> bool:
        """Whether all are."""
        return self.found == self.total

    @property
    def too_few(self) -> bool:
        """Whether fewer than half are."""
        return self.found < FEWEST_LINKED * self.total

    def in_words(self, other: str, *, of: str = "") -> str:
        """Say it with numbers, of no patient by name; ``of`` names the table where the sentence stands alone.

        Examples
        --------
        >>> Link("visits", 11, 12).in_words("people", of="visits")
        '11 of 12 patients of visits (92 %) are in people'
        >>> Link("visits", 999, 1000).in_words("people")
        '999 of 1,000 patients are in people (99.9 %)'
        """
        share = 100 * self.found / self.total
        digits = next((one for one in range(4) if self.whole or float(f"{share:.{one}f}") < 100), 4)
        percent = f"({share:.{digits}f} %)"
        counts = f"{self.found:,} of {self.total:,} patients"
        return f"{counts} of {of} {percent} are in {other}" if of else f"{counts} are in {other} {percent}"


def links_of(tables: Mapping[str, pd.Series], patients: pd.Series) -> list[Link]:
    """Count, for the identifiers of each table, how many patients are among ``patients``; tables without one say nothing."""
    links = []
    for name, identifiers in tables.items():
        distinct = pd.Series(identifiers.dropna().unique(), dtype="str")
        if len(distinct):
            links.append(Link(name, int(is_among(distinct, patients).sum()), len(distinct)))
    return links
