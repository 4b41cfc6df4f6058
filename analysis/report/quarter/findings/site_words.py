"""The sites in words: how many were judged, which lie beyond the limits, and nothing of those hidden."""

from collections.abc import Sequence

from analysis.counted import form
from analysis.quarter.counts import ALL_SITES, NO_SITE
from analysis.quarter.value_interval import value_interval
from analysis.report.parts import numbers
from analysis.report.parts.indicator_numbers import MOST_NAMED_IN_FUNNEL
from analysis.report.parts.numbers import in_text
from analysis.report.quarter.findings.finding import QuarterFindings, Site, Sites
from analysis.report.quarter.findings.words import name_words, shown

#: More sites than this are counted and not named.
_MOST_NAMED = 4
WHOLE_HIDDEN = "The whole is that of the sites shown, as that of all of them is hidden."


def site_words(found: QuarterFindings) -> list[str]:
    """Say how many sites were judged, which have a signal, and that nothing is said of those hidden."""
    sites = found.sites
    if sites is None:
        return ["Sites are not compared, as no outcome that is a share of patients is followed."]
    if sites.recorded in ((NO_SITE,), (ALL_SITES,)):
        return ["No site is recorded, so sites are not compared."]
    if len(sites.recorded) < 2:
        return ["There is one site only, so sites are not compared."]
    title, n = in_text(found.of(found.main).indicator.title), len(sites.recorded)
    if not sites.judged:
        return [f"Of {n} sites none can be judged ({title}, {sites.span}){_why(sites)}."]
    every = "both" if n == 2 else f"all {n}"
    which = f"{every} are judged" if sites.judged == n else f"{sites.judged} of {n} {form(sites.judged, 'is')} judged"
    said = [f"Sites by {title}, {sites.span}: {which}{_why(sites)}."]
    said += _together(found, sites)
    if sites.widened:
        said.append("As a precaution the limits are widened by the spread between those judged.")
    far = f"{_sided(sites.signals)} {form(len(sites.signals), 'has')}" if sites.signals else "none has"
    among, how, whole = f"Of the {sites.judged} judged", "not adjusted for case mix", sites.whole
    if sites.after_adjustment:
        among, how, whole = f"Of the {sites.adjusted} judged after adjustment for case mix", "", sites.adjusted_whole
    against = f"against the whole of {_value(found, whole)}"
    said.append(f"{among}, {far} a signal {against}{f', {how}' if how else ''}.")
    said += _by_others(found)
    if NO_SITE in sites.recorded:
        said.append("Patients without a recorded site count as one.")
    return said


def _together(found: QuarterFindings, sites: Sites) -> list[str]:
    """Give what can be shown of the sites hidden: all of them as one."""
    one = found.of(found.main).indicator
    if not sites.together or not sites.together[1] > 0 or one.kind != "share" or sites.hidden < 2:
        return []
    n, of = sites.together
    low, high = value_interval("share", n, of, level=found.level)
    interval = f"{numbers.level_in_words(found.level)} interval {numbers.share_interval(low, high)}"
    return [f"The {sites.hidden} hidden are as one {numbers.share(n / of)} ({numbers.fraction(n, of)}; {interval})."]


def site_point(found: QuarterFindings) -> str:
    """Say the same in few words, for a slide."""
    title, more = funnel_title(found), sum(one.indicator != found.main for one in found.site_signals)
    others = f"; by other indicators {more} {form(more, 'has')} one" if more else ""
    return f"{title}{others}." if title else site_words(found)[0]


def funnel_title(found: QuarterFindings) -> str:
    """Say in one line which sites have a signal, for the title of a slide; of none judged nothing."""
    sites = found.sites
    if sites is None or not sites.judged:
        return ""
    return f"{found.of(found.main).indicator.title}: of {numbers.plural(sites.judged, 'site')} judged, {_signals(sites)}{_hidden(sites)}"


def case_mix_title(found: QuarterFindings) -> str:
    """Say in one line which sites have a signal after adjustment, for the title of a slide."""
    sites = found.sites
    if sites is None or not sites.adjusted:
        return ""
    judged = numbers.plural(sites.adjusted, "site")
    how = "After case-mix adjustment" if sites.case_mix_known else "Not adjusted for case mix:"
    return f"{how}{',' if sites.case_mix_known else ''} of {judged} judged, {_signals(sites)}{_hidden(sites)}"


def funnel_words(found: QuarterFindings) -> str:
    """Say in one sentence what the funnel shows: every signal and every site beyond a limit by name, and how many are hidden."""
    sites = found.sites
    if sites is None or not sites.judged:
        return ""
    limits = "widened limits" if sites.widened else "limits"
    lowest, highest = (_value(found, one) for one in sites.shares)
    said = [f"{_value(found, sites.whole)} over the whole, from {lowest} to {highest} at single sites"]
    adjusted = " after adjustment for case mix" if sites.after_adjustment else ""
    said.append(f"signals{adjusted}: {numbers.listed([one.name for one in sites.signals]) or 'none'}")
    for those, which in ((sites.beyond, f"beyond the 99.8 % {limits}"), (sites.near, f"beyond the 95 % {limits} only")):
        named = [f"{one.name} ({_value(found, one.value)})" for one in those]
        said.append(f"{which}: {numbers.listed(named) or 'none'}")
    if sites.hidden:
        said.append(f"{numbers.plural(sites.hidden, 'site')} not shown because of small counts")
    return f"Funnel of {numbers.plural(sites.judged, 'site')}, {sites.span}: {_label(found)[:1].lower()}{_label(found)[1:]}, {'; '.join(said)}."


def funnel_caption(found: QuarterFindings) -> str:
    """Say what a mark of the funnel is, how the limits were made, and how many sites are left out."""
    sites = found.sites
    if sites is None:
        return ""
    marks = "Each mark is a site; circles lie within the 95 % limits, diamonds beyond them, crosses beyond the 99.8 % limits."
    named = ["Named are those beyond a limit, as far as there is room."] if sites.judged > MOST_NAMED_IN_FUNNEL else []
    said = [
        f"{_label(found)}, {sites.span}.",
        marks,
        *named,
        *_target(found),
        *([WHOLE_HIDDEN] if sites.whole_hidden and sites.judged else []),
        *sites.limits_notes,
        "Not adjusted for the patients' case mix.",
    ]
    if sites.hidden:
        said.append(
            f"Hidden because of small counts: {sites.hidden} of {numbers.plural(len(sites.recorded), 'site')}, mostly small "
            "ones, by their counts, so that those shown may lie to one side of the whole; over more quarters (parameter "
            "site_quarters), or for the team alone (small_counts), more of them can be shown."
        )
    return " ".join(said)


def case_mix_words(found: QuarterFindings) -> str:
    """Say in two sentences what the figure of the sites after adjustment shows."""
    sites = found.sites
    if sites is None or not sites.adjusted:
        return ""
    named = [
        f"{one.name} ({numbers.share(one.value)}, {numbers.share_interval(one.lower, one.upper)})"
        for one in sites.apart
    ]
    how = "after" if sites.case_mix_known else "without"
    signals = (
        f"Signals: {numbers.listed([one.name for one in sites.signals]) or 'none'}. " if sites.after_adjustment else ""
    )
    return (
        f"Estimates of {numbers.plural(sites.adjusted, 'site')} {how} adjustment, observed over expected "
        f"{numbers.interval(sites.ratios[0], sites.ratios[1], 2)}; shrunken shares from {numbers.share(sites.estimates[0])} to "
        f"{numbers.share(sites.estimates[1])} about the whole of {numbers.share(sites.adjusted_whole)}. {signals}Intervals "
        f"({numbers.level_in_words(found.level)}) that leave out the whole: {numbers.listed(named) or 'none'}."
    )


def case_mix_caption(found: QuarterFindings) -> str:
    """Say what the marks of that figure are, and how the estimates were made."""
    sites = found.sites
    if sites is None:
        return ""
    marks = (
        f"Squares: adjusted share of each site, shrunk towards the whole, with {numbers.level_in_words(found.level)} "
        "intervals; pale circles: the same before shrinkage; the line is the whole, "
        f"{numbers.share(sites.adjusted_whole)}."
    )
    return " ".join([f"{_label(found)}, {sites.span}.", marks, *sites.case_mix_notes])


def _target(found: QuarterFindings) -> list[str]:
    aim = found.of(found.main)
    if numbers.is_missing(aim.indicator.target):
        return []
    return [f"The target, {shown(aim, aim.indicator.target)[0]}, has a line of its own; limits are about the whole."]


def _value(found: QuarterFindings, value: float) -> str:
    return shown(found.of(found.main), value)[0]


def _label(found: QuarterFindings) -> str:
    one = found.of(found.main)
    return name_words(one) if one.indicator.is_completeness else one.indicator.label


def _by_others(found: QuarterFindings) -> list[str]:
    """Name the signals of sites by other indicators; nothing where there is none."""
    those = [one for one in found.site_signals if one.indicator != found.main]
    if not those:
        return []
    named = [f"{one.site} ({in_text(name_words(found.of(one.indicator)))}, {one.way})" for one in those]
    told = numbers.listed(named) if len(those) <= _MOST_NAMED else f"{len(those)} places, listed under Sites,"
    return [f"By other indicators {told} {form(len(those), 'has')} a signal."]


def _signals(sites: Sites) -> str:
    who = f"{_sided(sites.signals, values=False)} {form(len(sites.signals), 'has')}" if sites.signals else "none has"
    return f"{who} a signal"


def _hidden(sites: Sites) -> str:
    return f"; {sites.hidden} hidden" if sites.hidden else ""


def _why(sites: Sites) -> str:
    """Say how many are not judged and why; nothing where all are."""
    said = [f"{sites.hidden} {form(sites.hidden, 'is')} hidden because of small counts"] if sites.hidden else []
    empty = len(sites.recorded) - sites.judged - sites.hidden
    if empty:
        said.append(f"{empty} {form(empty, 'has')} nobody to judge")
    return f"; {numbers.listed(said)}" if said else ""


def _sided(those: Sequence[Site], *, values: bool = True) -> str:
    if len(those) > _MOST_NAMED:
        below = sum(one.way == "below" for one in those)
        return f"{len(those)} ({below} below, {len(those) - below} above)"
    return numbers.listed(
        [f"{one.name} ({f'{numbers.share(one.value)}, ' if values else ''}{one.way})" for one in those]
    )
