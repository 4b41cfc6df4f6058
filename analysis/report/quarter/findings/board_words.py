"""The summary in the words of a board: each verdict in plain language, what became of the target, and what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.cohort.follow_up.as_of import day_in_words
from analysis.counted import form
from analysis.quarter.periods import quarter_in_words
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.quarter.findings.finding import LOST
from analysis.report.quarter.findings.target_words import target_cell, verdict_of
from analysis.report.quarter.findings.words import (
    STEADIER,
    WORTH_A_LOOK,
    group_of,
    has_changed,
    name_words,
    shown,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.report.quarter.agreed.quarter_file import Action
    from analysis.report.quarter.findings.finding import Followed, QuarterFindings

AS_BEFORE, CANNOT_SAY = "as before", "cannot say"
#: Why nothing can be said, in few words, and what to do about it.
_WHY = {
    LOST: ("too many were lost", "Reach those who were lost; until then nothing is concluded."),
    "too early": ("too few quarters yet", "Go on counting; nothing is concluded yet."),
    "hidden": ("small counts are hidden", "Look at several quarters together."),
    "not yet due": ("not yet due", "Wait until they are due."),
    "nobody": ("nobody is counted", "Ask why nobody is counted."),
}
#: More sites than these are counted and not named.
_MOST_SITES = 2
SUMMARY_NOTES = (
    (
        "Getting better, getting worse: further from the baseline than chance takes it in all but few releases (a signal). As "
        "before: no signal, which leaves room for a change too small to be seen. Worth a look: a rule of its chart is met, which "
        "chance does too. Cannot say: why stands beside it."
    ),
    (
        "Small lines: one point a period, oldest left, on a scale of their own; grey: between the limits of its chart; "
        "orange diamond: the quarter has a signal; dots and dashes: the target."
    ),
)


def verdict_plain(found: QuarterFindings, one: Followed) -> str:
    """Say what can be told of an indicator, as a board says it."""
    group, change = group_of(one), one.change
    if group in _WHY:
        return f"{CANNOT_SAY}: {_WHY[group][0]}"
    if group in ("no signal", STEADIER):
        return f"{AS_BEFORE}, {WORTH_A_LOOK}" if change.look else AS_BEFORE
    way = f"getting {change.direction}" if change.direction else f"different, {change.way}"
    return way if change.since == found.quarter else f"{way} since {quarter_in_words(change.since)}"


def aim_plain(one: Followed) -> str:
    """Say what became of the target; of completeness without one, of its floor."""
    floor = one.indicator.floor
    if numbers.is_missing(one.indicator.target) and one.indicator.is_completeness and not numbers.is_missing(floor):
        reached = {True: "reached", False: "not reached", None: "cannot be said"}[one.floor_reached]
        return f"floor {numbers.share(floor)}, {reached}"
    return target_cell(one)


def to_do(found: QuarterFindings, one: Followed, actions: Sequence[Action]) -> str:
    """Say what to do: the open action about the indicator, or what its verdict asks for."""
    if actions:
        return _agreed(actions)
    group, change = group_of(one), one.change
    if group in _WHY:
        return _WHY[group][1]
    if group == "signal" and one.baseline_revised:
        return "Set a new baseline: late data changed the stored one."
    if group == "signal":
        since = "in this quarter" if change.since == found.quarter else f"since {quarter_in_words(change.since)}"
        if change.direction == "better":
            return f"Find out what helped {since}, and keep it."
        return f"Ask what was different {since}; agree on an action."
    if one.floor_reached is False:
        return "Ask the sites why values are missing."
    if verdict_of(one) == "missed":
        return "Change the process; this quarter alone explains nothing."
    if change.look:
        return "Look at its chart before the next quarter."
    if verdict_of(one) == "unsure":
        return "Go on; more patients will tell about the target."
    return "Go on."


def _agreed(actions: Sequence[Action]) -> str:
    first = actions[0]
    by = ", ".join([*([first.owner] if first.owner else []), *([f"by {day_in_words(first.due)}"] if first.due else [])])
    more = f"; and {numbers.plural(len(actions) - 1, 'more action')}" if len(actions) > 1 else ""
    return f"{first.words.rstrip('.')}{f' ({by})' if by else ''}{more}."


def summary_words(found: QuarterFindings) -> str:
    """Say in one line how many indicators were judged, how many of them changed which way, and what cannot be said."""
    quarter, followed = quarter_in_words(found.quarter), found.beside_completeness
    if not followed:
        return f"{quarter}: no outcome was followed{_and_floors(found)}"
    groups = [group_of(one) for one in followed]
    judged = [one for one, group in zip(followed, groups, strict=True) if group in ("signal", "no signal", STEADIER)]
    if not judged:
        of = "the one indicator" if len(followed) == 1 else f"any of the {len(followed)} indicators"
        return f"{quarter}: nothing can be said yet of {of}{_and_floors(found)}"
    n = len(followed) - len(judged)
    rest = f"; of {n} more nothing can be said" if n else ""
    told = []
    for words, those in (
        ("getting worse", [one for one in judged if has_changed(one) and one.change.direction == "worse"]),
        ("getting better", [one for one in judged if has_changed(one) and one.change.direction == "better"]),
        ("different", [one for one in judged if has_changed(one) and not one.change.direction]),
        (AS_BEFORE, [one for one in judged if not has_changed(one)]),
    ):
        if those:
            told.append(f"{len(those)} {form(len(those), 'is')} {words}")
    if len(judged) == 1:
        return f"{quarter}: the one indicator judged {told[0].removeprefix('1 ')}{rest}{_and_floors(found)}"
    return f"{quarter}: of the {len(judged)} indicators judged, {numbers.listed(told)}{rest}{_and_floors(found)}"


def _and_floors(found: QuarterFindings) -> str:
    told = floors_words(found)
    changed = [one.change.direction for one in found.completeness if has_changed(one)]
    ways = [
        f"getting {way} in {_of_measures(changed.count(way), len(found.completeness))}"
        for way in ("worse", "better")
        if way in changed
    ]
    told = ", ".join([*([told] if told else ["Completeness"] if ways else []), *ways])
    return f"; {told[:1].lower()}{told[1:]}" if told else ""


def _of_measures(n: int, of: int) -> str:
    return "the one measure" if of == 1 else f"{n} of the {of}"


def floors_words(found: QuarterFindings) -> str:
    """Say in how many measures completeness reaches its floor, and of how many that cannot be said; nothing without a floor."""
    floored = [one for one in found.completeness if not numbers.is_missing(one.indicator.floor)]
    said = [one.floor_reached for one in floored if one.floor_reached is not None]
    if not floored:
        return ""
    if not said:
        return "Whether completeness reaches its floor cannot be said"
    more = len(floored) - len(said)
    unknown = f", of {more} more it cannot be said" if more else ""
    return f"Completeness reaches its floor in {sum(said)} of {numbers.plural(len(said), 'measure')}{unknown}"


def value_and_counts(one: Followed) -> tuple[str, str]:
    """Give the value of the quarter without its unit, and what it was counted from; why there is none."""
    if numbers.is_missing(one.value):
        hidden = one.change.verdict in ("hidden", "not yet due")
        return (one.change.verdict, numbers.MISSING) if hidden else (numbers.MISSING, numbers.MISSING)
    kind = one.indicator
    # What lies on one side of its target or floor is never shown as equal to it.
    aim = kind.target if not numbers.is_missing(kind.target) else kind.floor
    value = (
        shown(one, one.value, one.value if numbers.is_missing(aim) else aim)[0].removesuffix(kind.unit_words).strip()
    )
    if kind.kind == "share":
        return value, numbers.fraction(one.numerator, one.denominator)
    if kind.kind == "rate":
        return value, f"{numbers.count(one.numerator)} among {numbers.count(one.denominator)}"
    return value, f"mean of {numbers.count(one.denominator)}"


def row_name(one: Followed) -> str:
    """Name an indicator with its unit; a share needs none."""
    name, unit = name_words(one), one.indicator.unit_words
    return f"{name}, {unit}" if unit and one.indicator.kind != "share" and unit not in name else name


def sites_row(found: QuarterFindings, actions: Sequence[Action]) -> tuple[str, str, str, str, str] | None:
    """Give name, how many were judged, of how many, verdict and what to do of the sites; None where they are not compared."""
    sites = found.sites
    if sites is None or len(sites.recorded) < 2:
        return None
    title, judged = in_text(found.of(found.main).indicator.title), str(sites.judged)
    counts = f"of {len(sites.recorded)} judged"
    if not sites.judged:
        return (
            f"Sites, {title}",
            judged,
            counts,
            f"{CANNOT_SAY}: {_WHY['hidden'][0]}",
            "Compare them over more quarters.",
        )
    n = len(sites.signals)
    if not n:
        hidden = f"; {sites.hidden} hidden" if sites.hidden else ""
        return f"Sites, {title}", judged, counts, f"none has a signal{hidden}", "Go on."
    named = f": {', '.join(f'{one.name} ({one.way})' for one in sites.signals)}" if n <= _MOST_SITES else ""
    to_ask = _agreed(actions) if actions else "Ask about data, case mix and care there; agree on an action."
    return f"Sites, {title}", judged, counts, f"{n} {form(n, 'has')} a signal{named}", to_ask
