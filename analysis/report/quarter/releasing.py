"""A release beside earlier ones: which baseline holds, what they showed, and how the new one is put on record."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.quarter.charts import stored_line
from analysis.quarter.control_charts import FEWEST_POINTS
from analysis.quarter.ledger.entries import Ledger, Release, read_ledger, write_ledger
from analysis.quarter.release import as_release
from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage, Section
from analysis.report.quarter.site_study import release_by_sites

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.quarter import Indicator, QuarterCounts, ReleasedCounts
    from analysis.quarter.release import SmallCounts
    from analysis.report.quarter.study import QuarterStudy

_SUFFIX = ".releases.json"


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
    """

    path: Path
    ledger: Ledger
    before: tuple[Release, ...]
    stored: bool
    other_windows: bool


def ledger_path(folder: Path, named: str | None) -> Path:
    """Give the file of the release ledger: the one named, or one beside the cohort folder with its name.

    Examples
    --------
    >>> ledger_path(Path("clinic/quarters"), None).name
    'quarters.releases.json'
    """
    if named is not None:
        return Path(named)
    whole = folder.resolve()
    return whole.parent / f"{whole.name}{_SUFFIX}"


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
) -> tuple[ReleasedCounts, Releasing]:
    """Hide what must not be shown beside what earlier releases showed; a release made again is as it was."""
    stored = bool(ledger.baseline) and tuple(baseline) == ledger.baseline

    def made(earlier: Sequence[Release]) -> ReleasedCounts:
        return release_by_sites(
            counts, quarter, baseline=baseline, window=window, compared=compared, small_counts=small_counts,
            earlier=earlier, stored=stored,
        )  # fmt: skip

    asked = Release(quarter, counts.as_of, tuple(window), tuple(baseline), {}, {})
    for place, one in enumerate(ledger.releases):
        if one.is_of(asked):
            again = made(ledger.releases[:place])
            if as_release(again).shows_the_same(one):
                return again, Releasing(path, ledger, ledger.releases[:place], stored, other_windows=False)
    same = [one for one in ledger.releases if one.quarter == quarter]
    other = bool(same) and same[-1].window != tuple(window)
    return made(ledger.releases), Releasing(path, ledger, ledger.releases, stored, other)


def record_release(study: QuarterStudy) -> Section:
    """Write what the report shows into the release ledger, and say so; a report that hides nothing is not written there.

    Raises
    ------
    CohortError
        The ledger cannot be written.
    """
    if study.released.small_counts != "hidden":
        return Section((Passage(("This report hides nothing, so it is no release and stands in no ledger.",)),))
    at = study.releasing
    signals = [
        (one.indicator.name, one.change.way, one.change.since)
        for one in study.found.followed
        if one.change.verdict == "signal"
    ]
    ledger = read_ledger(at.path).with_release(as_release(study.released, signals))
    if not at.stored and _may_be_stored(study):
        lines = {name: stored_line(chart) for name, chart in study.charts.items()}
        ledger = replace(ledger, baseline=study.released.baseline, lines={k: v for k, v in lines.items() if v})
    write_ledger(at.path, ledger)
    number = len(at.before) + 1
    text = f"This report is release {number} in the ledger {at.path.name}; later ones are checked against it."
    return Section(
        (
            Passage(
                (text,),
            ),
        )
    )


def _may_be_stored(study: QuarterStudy) -> bool:
    """Say whether the baseline is whole: twelve periods at least, all of whose patients were due."""
    released = study.released
    return len(released.baseline) >= FEWEST_POINTS and not set(released.baseline) & set(released.immature)


def releasing_words(study: QuarterStudy) -> list[str]:
    """Say against how many earlier releases the report was checked, and what that hid."""
    released, at = study.released, study.releasing
    if released.small_counts != "hidden":
        return ["Nothing was hidden, and the release ledger was neither read nor written."]
    if not at.before:
        return ["The release ledger holds no earlier release, so nothing was checked against one."]
    n = len(at.before)
    hid = numbers.plural(released.hidden_beside, "count")
    said = [
        (
            f"Checked against {numbers.plural(n, 'earlier release')}: together they leave every count from 1 to 10, and every "
            f"change of 1 to 10, open up to 11; for that {hid} more {'is' if released.hidden_beside == 1 else 'are'} hidden."
        )
    ]
    if at.other_windows:
        said.append(
            "Sites are compared over other quarters than in the last release of this quarter, which costs hidden counts; "
            "the same site_quarters would not."
        )
    if released.told_before:
        told = numbers.plural(released.told_before, "small count")
        said.append(f"Earlier releases told {told} by themselves, which no later one can undo.")
    return said
