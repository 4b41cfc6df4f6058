"""Groups of patients in a quarter's report, computed once: a whole year, kept as it was first released."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.quarter.access.strata import nearly_sites, strata
from analysis.quarter.access.stratum_counts import Compared, as_kept, stratum_counts, whole_year
from analysis.quarter.access.stratum_tests import stratum_shares, stratum_tests
from analysis.quarter.indicators import CHANGE, DUE, IMPROVED

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from analysis.cohort import Cohort
    from analysis.quarter import QuarterCohort
    from analysis.quarter.access.stratum_counts import StratumCounts
    from analysis.quarter.access.stratum_tests import StratumTest
    from analysis.report.quarter.prepared.releasing import Releasing

_REACHED = "sessions reached"


@dataclass(frozen=True, eq=False)
class Equity:
    """Groups of patients over a year.

    Attributes
    ----------
    counts : StratumCounts
        Counts by group that may be shown.
    shares : tuple of Compared
        What the groups are compared by.
    table : pandas.DataFrame
        The shares with their intervals, as :func:`~analysis.quarter.access.stratum_tests.stratum_shares` gives them.
    tests : tuple of StratumTest
        Whether the groups differ.
    left_out : tuple of str
        Kinds of which a group is all patients of some sites, or nearly so, and of which nothing may be shown for it.
    """

    counts: StratumCounts
    shares: tuple[Compared, ...]
    table: pd.DataFrame
    tests: tuple[StratumTest, ...]
    left_out: tuple[str, ...] = ()


def equity(
    cohort: Cohort, counted: QuarterCohort, periods: Sequence[str], releasing: Releasing, *, hidden: bool, level: float
) -> tuple[Equity | None, str]:
    """Count the groups of the last whole year, or take them as they were released; None, and why, where there is nothing."""
    year = whole_year(counted.counts, periods)
    if not year:
        return None, "a calendar year all of whose patients were due, so groups of patients are not compared."
    groups = strata(cohort).loc[counted.people.index]
    if groups.empty or not len(groups.columns):
        return None, "sex, age, language and distance from home, so groups of patients are not compared."
    shares = _shares(counted)
    kept = releasing.ledger.year(year) if hidden else None
    if kept is not None and kept.defined != counted.defined:
        return None, (
            f"groups of patients of {year} by these definitions ({counted.defined}): an earlier release told them by others "
            f"({kept.defined}), and both together could give small counts away."
        )
    left_out: list[str] = []
    if hidden and kept is None:
        inside = counted.people["period"].str[:4] == year
        quantities = [DUE, *dict.fromkeys(name for one in shares for name in (one.denominator, one.numerator))]
        left_out = nearly_sites(
            groups[inside], counted.people.loc[inside, "site"], counted.people.loc[inside, quantities]
        )
        groups = groups.drop(columns=left_out)
    if not len(groups.columns):
        return None, (
            "groups of patients that may be told beside sites: by each kind on record a group is all patients of some sites, or "
            "all but a few, and both together would tell small or hidden counts."
        )
    found = (
        as_kept(kept, earlier=kept.told_by(releasing.before))
        if kept is not None
        else stratum_counts(counted.people, groups, shares, year=year, defined=counted.defined, hidden=hidden)
    )
    told = set(found.table["quantity"])
    shares = tuple(one for one in shares if {one.numerator, one.denominator} <= told)
    table, tests = stratum_shares(found, shares, level=level), stratum_tests(found, shares)
    return Equity(found, shares, table, tests, tuple(left_out)), ""


def _shares(counted: QuarterCohort) -> tuple[Compared, ...]:
    found = [
        Compared("followed", CHANGE, DUE, "Seen at the start and at the end"),
        Compared("improved", IMPROVED, CHANGE, "Improved, of those seen"),
    ]
    if _REACHED in counted.people:
        # Of a year all of whose patients were due, these are all who started.
        found.append(Compared("sessions", _REACHED, DUE, "Home sessions reached"))
    return tuple(found)
