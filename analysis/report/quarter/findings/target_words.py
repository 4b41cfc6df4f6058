"""Targets in words: met for certain, missed, or neither for certain, as the interval of the quarter says."""

from analysis.counted import form
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.quarter.findings.finding import LOST, Followed, QuarterFindings
from analysis.report.quarter.findings.words import MOST_NAMED, NO_VALUE, group_of, name_words, shown

TARGET_NOTE = (
    "Target met for certain: the whole interval of the quarter lies on the good side of the target, or at it; missed: the whole "
    "interval lies on the other side; otherwise neither is certain."
)
#: Verdicts in the order in which they are told; "judged" of those whose interval says something.
_TOLD = {
    "missed": "missed",
    "met": "met for certain",
    "unsure": "neither met nor missed for certain",
    "unknown": "not judged",
}


def verdict_of(one: Followed) -> str:
    """Give what is said of a target: as the finding has it, but nothing of all who were due where too many were lost."""
    lost = one.target in ("met", "missed", "unsure") and group_of(one) == LOST
    return "unknown" if lost else one.target


def target_clause(one: Followed) -> str:
    """Say of an indicator what became of its target, within a sentence; nothing where it has none."""
    if numbers.is_missing(one.indicator.target):
        return ""
    target = f"the target of {shown(one, one.indicator.target)[0]}"
    verdict = verdict_of(one)
    if verdict in ("met", "missed"):
        return f"{target} is {_TOLD[verdict]}"
    if verdict == "unsure":
        return f"whether {target} is met is not certain"
    if verdict == "none":
        return f"{target} is not judged, as neither side is better"
    return f"whether {target} is met cannot be said, as {_why(one)}"


def target_cell(one: Followed) -> str:
    """Say the same in a cell of a table, the target without its unit."""
    if numbers.is_missing(one.indicator.target):
        return numbers.MISSING
    cells = {"met": "met for certain", "missed": "missed", "unsure": "not certain", "none": "not judged"}
    target = shown(one, one.indicator.target)[0].removesuffix(one.indicator.unit_words).strip()
    return f"{target}, {cells.get(verdict_of(one), 'cannot be said')}"


def targets_words(found: QuarterFindings) -> list[str]:
    """Say how many targets there are, and how many of them are missed, met, or neither for certain; nothing where none is."""
    aimed = [one for one in found.followed if verdict_of(one) != "none"]
    if not aimed:
        return []
    if len(aimed) == 1:
        (one,) = aimed
        clause = target_clause(one)
        return [f"Of {in_text(name_words(one))}, {clause}."]
    told = []
    for verdict, words in _TOLD.items():
        those = [one for one in aimed if verdict_of(one) == verdict]
        if those:
            names = numbers.listed([in_text(name_words(one)) for one in those]) if len(those) <= MOST_NAMED else ""
            told.append(f"{len(those)} {form(len(those), 'is')} {words}{f' ({names})' if names else ''}")
    return [f"Of {len(aimed)} targets, {numbers.listed(told)}."]


def _why(one: Followed) -> str:
    if one.change.verdict in NO_VALUE:
        return NO_VALUE[one.change.verdict]
    if group_of(one) == LOST:
        return "too many were lost"
    return "a mean has no interval here" if one.indicator.kind == "mean" else "there is no interval"
