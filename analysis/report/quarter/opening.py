"""What stands at the top of a quarter's report: what was counted, the answer, and what changed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import INVENTED, MOST_DOUBTS
from analysis.report.quarter.findings.doubts import doubts_words, harms_point, harms_words
from analysis.report.quarter.findings.finding import LOST
from analysis.report.quarter.findings.since_last import since_last, since_words
from analysis.report.quarter.findings.site_words import site_point, site_words
from analysis.report.quarter.findings.target_words import target_clause, targets_words
from analysis.report.quarter.findings.words import (
    NO_VALUE,
    STEADIER,
    changed_points,
    changed_words,
    group_of,
    item_words,
    who_words,
)

if TYPE_CHECKING:
    from analysis.report.quarter.findings.finding import Followed, QuarterFindings
    from analysis.report.quarter.study import QuarterStudy

RELEASED = "Counts from 1 to 10 are hidden, with as many others as it takes that they cannot be computed back."
INTERNAL = "Internal: small counts are shown. Not for release."
NOT_FOR_RELEASE = "Nothing is hidden: this report holds small counts and must not leave the team."


def subtitle(study: QuarterStudy) -> Section:
    """Name the quarter and the sites, and say whether small counts are hidden."""
    released = study.released
    sites = numbers.plural(len(released.sites), "site")
    noun = "month" if "Q" not in released.periods[0] else "quarter"
    lines = [
        f"{study.quarter_words}, {sites}, {numbers.plural(len(released.periods), noun)} in the charts",
        released.follow_up,
        RELEASED if released.small_counts == "hidden" else NOT_FOR_RELEASE,
    ]
    if study.invented:
        lines.append(INVENTED)
    mark = () if released.small_counts == "hidden" else (Passage((INTERNAL,), "watermark"),)
    return Section((Passage(tuple(lines), "subtitle"), *mark))


def answer(study: QuarterStudy) -> Section:
    """Give the answer in five lines: who was seen; what changed; the sites; what to doubt; harms.

    Doubts beyond the first ones stand with the cautions.
    """
    found = study.found
    doubts = doubts_words(found)
    more = len(doubts) - MOST_DOUBTS
    others = [f"And {numbers.plural(more, 'more doubt')}, under Cautions."] if more > 0 else []
    weightiest = [*doubts[:MOST_DOUBTS], *others]
    lines = (
        who_words(found),
        [*changed_words(found), *targets_words(found)],
        site_words(found),
        weightiest,
        [harms_words(found)],
    )
    told = tuple(" ".join(one) for one in lines)
    points = (told[0], *changed_points(found), site_point(found), harms_point(found), doubts[0])
    return Section((Passage(told, "answer", points=tuple(dict.fromkeys(points))),))


def changed(study: QuarterStudy) -> Section:
    """Say of each indicator its value, that of the quarter before, and what its chart tells."""
    items: list[Passage] = []
    for groups, meaning in _MEANING.items():
        those = [one for one in study.found.followed if group_of(one) in groups]
        if those:
            told = tuple(_item(study.found, one) for one in those)
            items += [Passage((meaning,)), Passage(told, "items")]
    return Section(tuple(items))


def since_last_release(study: QuarterStudy) -> Section:
    """Say what became of the last release; of a first one nothing."""
    if not study.releasing.before or study.released.small_counts != "hidden":
        return Section(())
    since = since_last(study.released, study.found, study.releasing.before[-1])
    return Section((Passage(tuple(since_words(study.found, since)), "items"),))


def _item(found: QuarterFindings, one: Followed) -> str:
    """Say what the chart of an indicator tells, and what became of its target."""
    aimed = target_clause(one)
    return f"{item_words(found, one)} {aimed[:1].upper()}{aimed[1:]}." if aimed else item_words(found, one)


#: What each verdict means, said once above the indicators it holds for.
_MEANING = {
    ("signal",): (
        "A signal (special cause). Further from the baseline than chance takes it in all but few releases. Ask what was different "
        "and when it began."
    ),
    (LOST,): "Too many were lost for a conclusion. What is given holds for those seen.",
    (STEADIER,): "Points nearer together than chance makes them, which is no change: ask whether the limits fit.",
    ("no signal",): (
        "No signal (common cause). These lie no further from the baseline than chance takes them; a rule of a chart that is met is "
        "worth a look. A difference from the quarter before needs no explanation of its own; who wants another level changes "
        "the process."
    ),
    ("too early",): "Too early to tell. With so few points a signal cannot be told from chance.",
    tuple(NO_VALUE): "Without a value, so that nothing can be told.",
}
