"""A release put on record, and what is said of the earlier ones it was checked against."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.counted import form
from analysis.quarter.access.stratum_counts import kept_year
from analysis.quarter.ledger.entries import read_ledger, write_ledger
from analysis.quarter.over_time.charts import stored_line
from analysis.quarter.over_time.control_charts import FEWEST_POINTS
from analysis.quarter.released_counts import as_release
from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage, Section

if TYPE_CHECKING:
    from analysis.report.quarter.study import QuarterStudy


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
        *((one.indicator.name, one.change.way, one.change.since) for one in study.found.signals),
        *((one.key, one.way, "") for one in study.found.site_signals),
    ]
    ledger = read_ledger(at.path).with_release(
        replace(
            as_release(study.released, signals),
            actions=tuple((one.words, one.state) for one in study.agreed.actions),
            seen=() if study.curves is None else study.curves.seen,
        )
    )
    if not at.stored and _may_be_stored(study):
        lines = {name: stored_line(chart) for name, chart in study.charts.items()}
        ledger = replace(ledger, baseline=study.released.baseline, lines={k: v for k, v in lines.items() if v})
    if study.equity is not None and not ledger.year(study.equity.counts.year):
        ledger = replace(
            ledger, years=(*ledger.years, kept_year(study.equity.counts, study.released.quarter, study.released.as_of))
        )
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
            f"change of 1 to 10, open up to 11; for that {hid} more {form(released.hidden_beside, 'is')} hidden."
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
