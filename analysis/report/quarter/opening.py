"""What stands at the top of a quarter's report: what was counted, the answer, and what changed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.outcomes.quarter.funnel import BEYOND_998
from analysis.report import numbers
from analysis.report.passages import Passage, Section
from analysis.report.wording import INVENTED

if TYPE_CHECKING:
    from analysis.report.quarter.study import QuarterStudy

RELEASED = "Counts from 1 to 10 are hidden, with as many others as it takes that they cannot be computed back."
NOT_FOR_RELEASE = "Nothing is hidden: this report holds small counts and must not leave the team."


def subtitle(study: QuarterStudy) -> Section:
    """Name the quarter and the sites, and say whether small counts are hidden.

    Parameters
    ----------
    study : QuarterStudy
        The quarter.
    """
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
    """Give the answer in one paragraph: special causes first, then that the rest is common cause.

    Parameters
    ----------
    study : QuarterStudy
        The quarter.
    """
    return Section((Passage((" ".join([*_time_sentences(study), *_site_sentences(study)]),), "answer"),))


def changed(study: QuarterStudy) -> Section:
    """Say of each indicator what changed since the quarter before, and whether the chart supports a cause.

    Parameters
    ----------
    study : QuarterStudy
        The quarter.
    """
    said = []
    for one in study.released.indicators:
        title = f"Completeness of {one.title}" if one.name.startswith("complete ") else one.title
        said.append(f"{title}. {study.changes[one.name].words}")
    meaning = (
        "Special cause: the quarter meets a rule of its chart, so something was probably different. Common cause: the "
        "process does what it has done since the baseline; to change it, change the process, and do not ask what "
        "happened this quarter."
    )
    return Section((Passage((meaning,)), Passage(tuple(said), "items")))


def _time_sentences(study: QuarterStudy) -> list[str]:
    followed = study.indicators("outcome", "balancing")
    by_cause = {
        cause: [one for one in followed if study.changes[one.name].cause == cause]
        for cause in ("special cause", "common cause", "cannot be told")
    }
    sentences = []
    for one in by_cause["special cause"]:
        change = study.changes[one.name]
        way = {"better": ", on the better side", "worse": ", on the worse side", "": ""}[change.direction]
        sentences.append(f"{one.title} shows a special cause in {study.quarter_words}{way}.")
    if by_cause["common cause"]:
        names = numbers.listed([_in_text(one.title) for one in by_cause["common cause"]])
        few = len(by_cause["common cause"]) == 1
        sentences.append(
            f"{names[:1].upper() + names[1:]} {'varies' if few else 'vary'} as since the baseline: common cause, "
            "no news from one quarter."
        )
    if by_cause["cannot be told"]:
        names = numbers.listed([_in_text(one.title) for one in by_cause["cannot be told"]])
        sentences.append(f"Nothing can be told yet of {names}.")
    return sentences or ["No outcome was followed."]


def _site_sentences(study: QuarterStudy) -> list[str]:
    if study.funnel is None or study.compared is None:
        return []
    found = study.funnel
    region = found.table["wide_region" if found.over_dispersed else "region"]
    far = [str(site) for site in found.table.loc[region == BEYOND_998, "site"]]
    what = _in_text(study.compared.title)
    if far:
        sentences = [f"Beyond the 99.8 % limits in {what}, {study.span}: {numbers.listed(far)}."]
    else:
        sentences = [f"No site lies beyond the 99.8 % limits in {what}, {study.span}."]
    if study.case_mix is not None:
        table = study.case_mix.table
        apart = table[(table["lower"] > study.case_mix.share) | (table["upper"] < study.case_mix.share)]
        level = numbers.level_in_words(study.level)
        names = numbers.listed([str(site) for site in apart["site"]])
        sentences.append(
            f"After adjustment for case mix the {level} interval leaves out the whole for {names}."
            if names
            else f"After adjustment for case mix every site's {level} interval holds the whole."
        )
    return sentences


def _in_text(title: str) -> str:
    return title if title[1:2].isupper() else title[:1].lower() + title[1:]
