"""Groups of patients in words: how many comparisons could be made, which groups differ, and what is hidden."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.counted import form
from analysis.quarter.access.strata import GROUPED_BY
from analysis.report.parts import numbers

if TYPE_CHECKING:
    from analysis.quarter.access.stratum_tests import StratumTest
    from analysis.report.quarter.prepared.equity_study import Equity


def equity_words(found: Equity) -> list[str]:
    """Say which groups differ, of how many comparisons that could be made, and of what nothing can be told."""
    made = [one for one in found.tests if one.p == one.p]
    differ = [one for one in made if one.differs]
    n, of = len(made), len(found.tests)
    if not made:
        none = f"{_kinds(found)} No comparison can be made: too few groups, or too small ones, can be shown."
        return [none, *_unseen(found), *_left_out(found)]
    compared = (
        f"Of {numbers.plural(of, 'comparison')} {n} could be made"
        if n < of
        else f"{numbers.plural(n, 'comparison')} {form(n, 'was')} made"
    )
    if not differ:
        told = "none shows a difference by more than chance" if n > 1 else "it shows no difference by more than chance"
        said = [f"{_kinds(found)} {compared}; {told}, which is no proof that all fare alike."]
    else:
        told = f"{len(differ)} {form(len(differ), 'shows', 'show')} a difference by more than chance"
        said = [f"{_kinds(found)} {compared}; {told}.", *(_difference(one) for one in differ)]
    return [*said, *_unseen(found), *_left_out(found)]


def _unseen(found: Equity) -> list[str]:
    """Say in how many comparisons groups are hidden."""
    unseen = [one for one in found.tests if one.judged < one.groups]
    if not unseen:
        return []
    most = max(one.groups - one.judged for one in unseen)
    upto = "up to " if len({one.groups - one.judged for one in unseen}) > 1 else ""
    hidden = "a group" if most == 1 else f"{upto}{most} groups"
    of = numbers.plural(len(found.tests), "comparison")
    why = "cannot be shown because of small counts; how they fare is not known."
    return [f"In {len(unseen)} of {of} {hidden} {why}"]


def _left_out(found: Equity) -> list[str]:
    """Say which kinds are not told, and why."""
    if not found.left_out:
        return []
    names = numbers.listed([GROUPED_BY[one].lower() for one in found.left_out])
    why = "a group there is all patients of some sites, or all but a few, and both together would tell small or hidden counts."
    return [f"Not told by {names}: {why}"]


def _kinds(found: Equity) -> str:
    names = numbers.listed([GROUPED_BY[one].lower() for one in found.counts.kinds])
    kept = ", as they were first released" if found.counts.kept else ""
    return f"Patients who started in {found.counts.year}{kept}, by {names}."


def _difference(one: StratumTest) -> str:
    (low, least), (high, most) = one.lowest, one.highest
    lower, higher = numbers.share(least), numbers.share(most)
    return (
        f"{one.share.label}, by {GROUPED_BY[one.kind].lower()}: {lower} ({low}) to {higher} ({high}) among the {one.judged} "
        f"{'' if one.judged == one.groups else f'of {one.groups} '}groups judged (p {numbers.p_value(one.p_adjusted)}, adjusted). "
        "Ask what keeps the lowest back; these groups may differ in more than this."
    )
