"""What findings on secondary outcomes and on groups of patients are called, in sentences and in the cells of tables."""

from collections.abc import Sequence

from analysis.counted import form
from analysis.curves.covariates import column_in_words
from analysis.report.comparison.findings.finding import GroupsApart, InOrder
from analysis.report.comparison.parameters import Allocation
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.parts.wording import MOST_LISTED

#: Where further is not better, a difference says nothing about who did better.
BEYOND = "not judged, as means lie beyond the best value or on both sides of it"

#: Verdicts by which nothing is judged, as a count of them goes on.
_NOT_JUDGED = {
    "not tested": "not tested",
    "no conclusion": "without a conclusion, as too many were not seen",
    "beyond the ideal": "not judged, as a mean lies beyond its best value",
    "not compared": "not compared",
}


def verdict_in_words(verdict: str, protocol: str, reference: str, allocation: Allocation) -> str:
    """Say a verdict as a cell of a table does.

    Examples
    --------
    >>> verdict_in_words("favours protocol", "early", "usual", "observational")
    'early did better on average'
    """
    better = {"favours protocol": protocol, "favours reference": reference}.get(verdict)
    if better is not None:
        return f"favours {better}" if allocation == "randomised" else f"{better} did better on average"
    return {"undecided": "cannot be told", "beyond the ideal": BEYOND}.get(verdict, verdict)


def secondary_words(found: Sequence[InOrder]) -> str:
    """Say in one sentence a protocol which secondary outcomes differ, of how many that were looked at."""
    later = [one for one in found if one.place > 1]
    labels = list(dict.fromkeys(one.measure.label for one in later))
    listed = numbers.listed([in_text(label) for label in labels]) if len(labels) <= MOST_LISTED else f"{len(labels)}"
    parts = [
        _of_protocol(name, [one for one in later if one.protocol == name])
        for name in dict.fromkeys(one.protocol for one in later)
    ]
    return f"Secondary {form(len(labels), 'outcome')}, in order: {listed}. {' '.join(parts)}"


def secondary_title(found: Sequence[InOrder]) -> str:
    """Say for the title of a slide in how many comparisons of secondary outcomes a difference is found, of how many tested.

    A comparison is one outcome with one protocol; those in which a difference is found are named where they are few.
    """
    later = [one for one in found if one.place > 1]
    apart = [one for one in later if one.verdict.startswith("favours")]
    counts = [(what, sum(one.verdict == verdict for one in later)) for verdict, what in _NOT_JUDGED.items()]
    judged, outcomes = len(later) - sum(n for _, n in counts), len({one.measure.name for one in later})
    rest = [f"{n} {what}" for what, n in counts if n]
    several = len({one.protocol for one in later}) > 1
    named = [
        f"{in_text(one.measure.label)} {'better' if one.verdict == 'favours protocol' else 'worse'}"
        f"{f' with {one.protocol}' if several else ''}"
        for one in apart
    ]
    which = (
        "none"
        if not apart
        else f"{len(apart)}"
        if len(apart) > MOST_LISTED
        else f"{len(apart)}: {numbers.listed(named)}"
    )
    compared = numbers.plural(judged, "comparison")
    said = f"of {compared} tested a difference is found in {which}" if judged else "no comparison was tested"
    return f"Secondary {form(outcomes, 'outcome')}: {'; '.join([said, *rest])}"


def _of_protocol(name: str, found: list[InOrder]) -> str:
    verdicts: list[str] = [one.verdict for one in found]
    untested, lost, beyond = map(verdicts.count, ("not tested", "no conclusion", "beyond the ideal"))
    judged = len(found) - untested - lost - beyond - verdicts.count("not compared")
    said = []
    if judged:
        side = [
            f"{in_text(one.measure.label)} ({'better' if one.verdict == 'favours protocol' else 'worse'})"
            for one in found
            if one.verdict.startswith("favours")
        ]
        which = f"{len(side)}: {numbers.listed(side)}" if side else "none"
        said.append(
            f"of {numbers.plural(judged, 'outcome')} tested a difference from {found[0].reference} is found in {which}"
        )
    if beyond:
        said.append(f"of {beyond} a mean lies beyond its best value, where further is not better")
    if lost:
        said.append(f"of {lost} too many were not seen for a conclusion")
    if untested:
        said.append(
            f"{untested} {form(untested, 'is')} not tested, as one before {form(untested, 'it', 'them')} was not found"
        )
    return f"With {name} {'; '.join(said) or 'none could be compared'}."


def groups_words(found: GroupsApart) -> str:
    """Say whether the differences are told apart between the groups of one characteristic.

    Examples
    --------
    >>> groups_words(GroupsApart("sex", ("female", "male"), 0.31, "undecided"))
    'These data do not tell whether the differences are other ones by sex (female and male): test of interaction, p 0.310.'
    """
    by, groups, p = column_in_words(found.by), numbers.listed(list(found.groups)), numbers.p_value(found.p_value)
    if found.verdict == "no conclusion":
        return f"No conclusion about groups by {by}, as too many were not seen."
    if found.verdict == "not tested":
        return f"Whether the difference is another one by {by} ({groups}) could not be tested."
    if found.verdict == "told apart":
        return (
            f"The differences are not the same by {by} ({groups}): test of interaction, p {p}. This is a question for another "
            "study, not an answer."
        )
    return (
        f"These data do not tell whether the differences are other ones by {by} ({groups}): test of interaction, p {p}."
    )
