"""Harms, and what speaks against the findings, in words; where nothing does, what was looked for."""

from collections.abc import Sequence

from analysis.counted import form
from analysis.quarter.over_time.control_charts import FEWEST_POINTS
from analysis.quarter.periods import quarter_in_words
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.parts.wording import NO_HARMS_RECORDED
from analysis.report.quarter.findings.finding import Followed, QuarterFindings
from analysis.report.quarter.findings.signal_words import by_chance_words
from analysis.report.quarter.findings.words import (
    MOST_NAMED,
    NO_VALUE,
    against_words,
    has_changed,
    interval_words,
    name_words,
    shown,
    title_words,
    verdict_words,
)


def harms_words(found: QuarterFindings) -> str:
    """Say how many harms are on record, of how many patients, and whether a change is seen."""
    if not found.of_patients:
        return "Which of these counts are harms is not in the data."
    one = found.harms
    if one is None:
        return NO_HARMS_RECORDED
    if one.change.verdict in NO_VALUE:
        return f"Of harms {NO_VALUE[one.change.verdict]}."
    patients = numbers.plural(one.denominator, "patient")
    if one.numerator == 0:
        return f"No harm is on record of the {patients} followed six weeks; what was not recorded cannot be seen."
    (rate,) = shown(one, one.value)
    on_record = numbers.plural(one.numerator, "harm")
    level = numbers.level_in_words(found.level)
    return (
        f"On record {form(one.numerator, 'is')} {on_record} within six weeks among {patients} followed that long ({rate}, {level} "
        f"interval {interval_words(one)}), {against_words(one)}; {verdict_words(found, one)}."
    )


def harms_point(found: QuarterFindings) -> str:
    """Say the same in few words, for a slide."""
    one = found.harms
    if one is None or not one.value > 0:
        return harms_words(found)
    return f"{title_words(found, one)}."


def doubts_words(found: QuarterFindings) -> list[str]:
    """List what speaks against the findings, the weightiest first: what is not known yet, losses, what is hidden, charts.

    Never empty.
    """
    who, followed, complete = found.patients, found.beside_completeness, found.completeness
    said = []
    if who is not None and who.not_yet_due:
        said.append("Outcomes and losses of the quarter are not known yet.")
    if who is not None and who.partly_due:
        said.append("Part of the quarter's patients were not yet due; they may fare otherwise than those who were.")
    if who is not None and who.much_lost:
        said.append("Those who were not seen may have fared otherwise than those who were.")
    if who is not None and who.losses_differ:
        was = "more" if who.lost > who.lost_before else "fewer"
        said.append(
            f"Of those due {numbers.share(who.lost)} were lost, {was} than the {numbers.share(who.lost_before)} of the "
            "baseline: the quarters may hold other patients."
        )
    unknown = who is not None and not who.not_yet_due and numbers.is_missing(who.lost)
    lacking = unknown and any(one.floor_reached is False for one in complete)
    if who is not None and found.as_of is None and (who.much_lost or lacking):
        said.append("The data do not say up to when they were collected, so some may not be due yet.")
    stand = [one for one in found.followed if one.as_released]
    if stand:
        said.append(
            f"{len(stand)} of {numbers.plural(len(found.followed), 'value')} of the quarter {form(len(stand), 'stands', 'stand')} as "
            "released before: late data changed too few patients to be told."
        )
    under = [one for one in complete if one.floor_reached is False]
    if under:
        floors = numbers.share_range([one.indicator.floor for one in under])
        names = numbers.listed([in_text(one.indicator.title) for one in under])
        said.append(
            f"Fewer than the {floors} asked for have a value of {names}."
            if len(under) <= MOST_NAMED
            else f"In {len(under)} of {len(complete)} measures fewer than the {floors} asked for have a value."
        )
    elif unknown:
        said.append("Whether many were lost cannot be said, as counts are hidden.")
    if found.sites is not None and found.sites.hidden and len(found.sites.recorded) > 1:
        said.append("Whether a site that is hidden lies beyond the limits is not known.")
    said += [
        f"{name_words(one)}: {verdict_words(found, one)}." for one in complete if has_changed(one) and one not in under
    ]
    moved = [in_text(name_words(one)) for one in found.signals if one.baseline_revised]
    if moved:
        named = numbers.listed(moved) if len(moved) <= MOST_NAMED else f"{len(moved)} indicators with a signal"
        said.append(
            f"Late data changed the baseline of {named} after it was stored, so a difference from it may be theirs; set a new one "
            "(parameter baseline)."
        )
    if found.signals or found.site_signals:
        said.append(by_chance_words(found))
    early = [one for one in followed if one.chart != "control chart" and one.points]
    if early:
        said.append(too_few_points(early, len(followed)))
    wandering = [in_text(name_words(one)) for one in followed if one.wanders]
    if wandering:
        said.append(
            f"Over the whole chart the runs about the median are not those of chance: {numbers.listed(wandering)}."
        )
    if any(one.in_baseline and one.judged and one.chart == "control chart" for one in followed):
        said.append(f"{quarter_in_words(found.quarter)} is part of the baseline, so a change shows less.")
    hidden = max((one.hidden for one in followed), default=0)
    if hidden:
        said.append(f"Up to {numbers.plural(hidden, 'period')} of a chart {form(hidden, 'is')} hidden.")
    if said:
        return said
    looked_for = ["a quarter within its baseline", f"fewer than {FEWEST_POINTS} points over time", "hidden periods"]
    if complete and all(one.floor_reached for one in complete):
        looked_for.insert(0, "measures under their floor")
    if who is not None and not numbers.is_missing(who.lost):
        looked_for = ["a third or more lost", "losses 15 points from the baseline's", *looked_for]
    return [f"Looked for and not found: {numbers.listed(looked_for, 'or')}. What was not measured cannot be seen here."]


def too_few_points(early: Sequence[Followed], n_followed: int) -> str:
    """Say of which indicators one unusual quarter cannot be told from chance yet."""
    points = sorted({one.points for one in early})
    with_points = numbers.plural(points[-1], "point")
    if len(points) > 1:
        with_points = f"{points[0]} to {with_points}"
    named = numbers.listed([in_text(name_words(one)) for one in early])
    if len(early) > MOST_NAMED:
        named = f"{len(early)} of {numbers.plural(n_followed, 'indicator')}"
    if len(early) == n_followed > 1:
        named = f"all {n_followed} indicators followed"
    return f"With {with_points} over time one unusual quarter of {named} cannot be told from chance; {FEWEST_POINTS} are needed."
