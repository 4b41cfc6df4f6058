"""What stands at the top of a quarter's report: what was counted, the answer, and what changed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.quarter.control_charts import ControlChart
from analysis.quarter.funnel import BEYOND_998
from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import INVENTED

if TYPE_CHECKING:
    from analysis.quarter import Indicator
    from analysis.report.quarter.study import QuarterStudy

RELEASED = "Counts from 1 to 10 are hidden, with as many others as it takes that they cannot be computed back."
NOT_FOR_RELEASE = "Nothing is hidden: this report holds small counts and must not leave the team."


def subtitle(study: QuarterStudy) -> Section:
    """Name the quarter and the sites, and say whether small counts are hidden."""
    released = study.released
    sites = numbers.plural(len(released.sites), "site")
    noun = "month" if "Q" not in released.periods[0] else "quarter"
    lines = [
        f"{study.quarter_words}, {sites}, {numbers.plural(len(released.periods), noun)} in the charts",
        RELEASED if released.small_counts == "hidden" else NOT_FOR_RELEASE,
    ]
    if study.invented:
        lines.append(INVENTED)
    return Section((Passage(tuple(lines), "subtitle"),))


def answer(study: QuarterStudy) -> Section:
    """Give the answer in one paragraph: special causes first, then that the rest is common cause."""
    return Section((Passage((" ".join([*_time_sentences(study), *_site_sentences(study)]),), "answer"),))


def changed(study: QuarterStudy) -> Section:
    """Say of each indicator what changed since the quarter before, and whether the chart supports a cause."""
    items: list[Passage] = []
    for cause, meaning in _MEANING.items():
        those = [one for one in study.released.indicators if study.changes[one.name].cause == cause]
        if not those:
            continue
        said = [_change_sentence(study, one, brief=cause == "common cause") for one in those]
        items += [Passage((meaning,)), Passage(tuple(said), "items")]
    return Section(tuple(items))


#: What each finding means, said once above the indicators it holds for.
_MEANING = {
    "special cause": "Special cause. The quarter meets a rule of its chart, so something was probably different.",
    "common cause": (
        "Common cause. These do what they have done since the baseline. A difference from the quarter before needs no "
        "explanation of its own; who wants another level changes the process."
    ),
    "cannot be told": "Cannot be told. The charts of these support neither cause, for the reason given.",
}


def _change_sentence(study: QuarterStudy, one: Indicator, *, brief: bool) -> str:
    change = study.changes[one.name]
    title = f"Completeness, {_in_text(one.title)}" if one.name.startswith("complete ") else one.title
    if brief:
        run = not isinstance(study.charts[one.name].chart, ControlChart)
        return f"{title}: {change.moved}{' (run chart, no signal)' if run else ''}."
    words = change.words.removeprefix("Special cause: ").removeprefix("Cannot be told: ")
    return f"{title}: {words}"


def _time_sentences(study: QuarterStudy) -> list[str]:
    followed = study.indicators("outcome", "balancing")
    by_cause = {
        cause: [one for one in followed if study.changes[one.name].cause == cause]
        for cause in ("special cause", "common cause", "cannot be told")
    }
    sentences = _first_sentence(study)
    if by_cause["special cause"]:
        ways = {"better": " (on the better side)", "worse": " (on the worse side)", "": ""}
        named = [f"{_in_text(one.title)}{ways[study.changes[one.name].direction]}" for one in by_cause["special cause"]]
        causes = "Special cause" if len(named) == 1 else "Special causes"
        sentences.append(f"{causes} in {study.quarter_words}: {numbers.listed(named)}.")
    if by_cause["common cause"]:
        names = numbers.listed([_in_text(one.title) for one in by_cause["common cause"]])
        few = len(by_cause["common cause"]) == 1
        sentences.append(
            f"{numbers.capitalised(names)} {'varies' if few else 'vary'} as {'it has' if few else 'they have'} since "
            "the baseline: common cause."
        )
    if by_cause["cannot be told"]:
        names = numbers.listed([_in_text(one.title) for one in by_cause["cannot be told"]])
        sentences.append(f"Nothing can be told yet of {names}.")
        if all(
            study.released.of(one, [study.released.quarter])["hidden"].iloc[0] for one in by_cause["cannot be told"]
        ):
            sentences.append("Their counts are too small to be shown.")
    return sentences or ["No outcome was followed."]


def _first_sentence(study: QuarterStudy) -> list[str]:
    """Give the main outcome with its numbers."""
    if study.compared is None:
        return []
    main, released = study.compared, study.released
    now, before = released.of(main, [released.quarter, released.before]).itertuples()
    if numbers.is_missing(now.value):
        return []
    earlier = "" if numbers.is_missing(before.value) else f", after {numbers.share(before.value)} the quarter before"
    counted = numbers.fraction(now.numerator, now.denominator)
    return [f"{main.title}: {numbers.share(now.value)} ({counted}) in {study.quarter_words}{earlier}."]


def _site_sentences(study: QuarterStudy) -> list[str]:
    if study.funnel is None or study.compared is None:
        return []
    found = study.funnel
    far = [str(site) for site in found.table.loc[found.table["wide_region"] == BEYOND_998, "site"]]
    limits = f"the 99.8 % limits of the funnel, {study.span}"
    sentences = [f"Beyond {limits}: {numbers.listed(far)}." if far else f"No site lies beyond {limits}."]
    if study.case_mix is not None:
        level = numbers.level_in_words(study.level)
        names = numbers.listed([str(site) for site in study.case_mix.apart["site"]])
        sentences.append(
            f"After adjustment for case mix the {level} interval leaves out the whole for {names}."
            if names
            else f"After adjustment for case mix every site's {level} interval holds the whole."
        )
    return sentences


def _in_text(title: str) -> str:
    return title if title[1:2].isupper() else title[:1].lower() + title[1:]
