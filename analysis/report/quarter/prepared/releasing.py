"""A release beside earlier ones: which baseline holds, and what must be hidden because of what they showed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.quarter.ledger.entries import Ledger, Release
from analysis.quarter.released_counts import as_release
from analysis.report.quarter.prepared.site_study import release_by_sites

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.quarter import Indicator, QuarterCounts, ReleasedCounts
    from analysis.quarter.blocks import Block
    from analysis.quarter.released_counts import SmallCounts

#: How the name of the file beside a cohort folder ends.
LEDGER_FILE = ".releases.json"


@dataclass(frozen=True)
class Releasing:
    """Where a release stands among the others.

    Attributes
    ----------
    path : Path
        The release ledger.
    ledger : Ledger
        What it held when the report was made.
    before : tuple of Release
        The releases before this one; all, unless this one shows what an earlier one showed.
    stored : bool
        Whether the baseline is the stored one.
    other_windows : bool
        Whether sites are compared over other periods than in the release before, of the same quarter.
    itself : Release or None
        This release as it is on record, where it is made again.
    """

    path: Path
    ledger: Ledger
    before: tuple[Release, ...]
    stored: bool
    other_windows: bool
    itself: Release | None = None

    @property
    def told(self) -> tuple[Release, ...]:
        """What was told before, by this release too where it is made again."""
        return (*self.before, *([self.itself] if self.itself else []))


def release_beside(
    counts: QuarterCounts,
    quarter: str,
    ledger: Ledger,
    path: Path,
    *,
    baseline: Sequence[str],
    window: Sequence[str],
    compared: Indicator | None,
    small_counts: SmallCounts,
    blocks: Sequence[Block] = (),
) -> tuple[ReleasedCounts, Releasing]:
    """Hide what must not be shown beside what earlier releases showed; a release made again is as it was."""
    stored = bool(ledger.baseline) and tuple(baseline) == ledger.baseline

    def made(earlier: Sequence[Release]) -> ReleasedCounts:
        return release_by_sites(
            counts, quarter, baseline=baseline, window=window, compared=compared, small_counts=small_counts,
            earlier=earlier, stored=stored, blocks=blocks,
        )  # fmt: skip

    def standing(before: tuple[Release, ...], *, other: bool, itself: Release | None = None) -> Releasing:
        kept = stored and any(one.baseline == tuple(baseline) for one in before)
        return Releasing(path, ledger, before, kept, other, itself)

    asked = Release(quarter, counts.as_of, tuple(window), tuple(baseline), {}, {})
    for place, one in enumerate(ledger.releases):
        if one.is_of(asked):
            again = made(ledger.releases[:place])
            if as_release(again).shows_the_same(one):
                return again, standing(ledger.releases[:place], other=False, itself=one)
    same = [one for one in ledger.releases if one.quarter == quarter]
    return made(ledger.releases), standing(ledger.releases, other=bool(same) and same[-1].window != tuple(window))
