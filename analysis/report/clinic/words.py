"""One clinic in words: how many of its indicators were judged before what was found, and no other clinic by name."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.counted import form
from analysis.quarter.periods import quarter_in_words
from analysis.report.parts import numbers
from analysis.report.parts.indicator_numbers import bare_shower
from analysis.report.parts.numbers import in_text
from analysis.report.quarter.findings.words import MOST_NAMED, WORTH_A_LOOK, day_words
from analysis.statistics.small_counts import LARGEST_HIDDEN

if TYPE_CHECKING:
    import pandas as pd

    from analysis.report.clinic.findings import ClinicFindings, Late, OfClinic, Questions

FIRST_RELEASE = "This is the first release, so nothing came or changed since an earlier one."
NO_QUESTION = "Looked for and not found: questions about patients of this clinic, by the rules for values and changes and by the check."
_MOST_REVISED = 2
#: What a question is, by its severity: one, and several.
_KINDS = {
    "error": ("error of the check", "errors of the check"),
    "warning": ("warning of the check", "warnings of the check"),
    "impossible": ("impossible value", "impossible values"),
    "unlikely": ("unlikely value or change", "unlikely values or changes"),
}


def answer_words(found: ClinicFindings) -> list[str]:
    """Give In short: indicators judged, the main outcome, completeness, questions; a line each."""
    lines = [_judged_words(found), _main_words(found), completeness_words(found), questions_in_short(found.questions)]
    return [one for one in lines if one]


def _judged_words(found: ClinicFindings) -> str:
    n = len(found.followed)
    if not n:
        return "No share and no rate was followed."
    if found.alone:
        return "There is one site only, so it is compared with nothing."
    hidden = sum(one.hidden for one in found.followed)
    rest = n - found.judged - hidden
    why = [f"{hidden} {form(hidden, 'is')} hidden because of small counts"] if hidden else []
    why += [f"{rest} {form(rest, 'has')} no limits"] if rest else []
    judged = f"Of {numbers.plural(n, 'indicator')} over {found.span}, {found.judged or 'none'} can be judged"
    told = f"{judged}{f'; {numbers.listed(why)}' if why else ''}."
    if not found.judged:
        return told
    signals = [f"{in_text(one.indicator.title)} ({one.way})" for one in found.followed if one.signal]
    which = f"{numbers.listed(signals)} {form(len(signals), 'has')}" if signals else "none has"
    return f"{told} Of those judged, {which} a signal against the network."


def _main_words(found: ClinicFindings) -> str:
    main = next((one for one in found.followed if one.indicator.name == found.main), None)
    if main is None:
        return ""
    title = main.indicator.title
    if main.hidden:
        return f"{title}: hidden because of small counts."
    if numbers.is_missing(main.value):
        return f"{title}: nobody is counted."
    network = (
        "" if found.alone else f", {'hidden' if main.network_hidden else numbers.share(main.network)} over the network"
    )
    counts = numbers.fraction(main.numerator, main.denominator)
    limits = numbers.share_interval(main.lower, main.upper)
    where = f"; {region_words(main)}" if main.region else ""
    return f"{title}: {numbers.share(main.value)} ({counts}; {numbers.level_in_words(found.level)} interval {limits}){network}{where}."


def completeness_words(found: ClinicFindings) -> str:
    """Say of how many measures the floor can be judged, and of those which lie under it."""
    every = found.completeness
    if not every:
        return ""
    known = [one for one in every if one.reached is not None]
    if not known:
        return f"Completeness of {numbers.plural(len(every), 'measure')} cannot be judged, because of small counts."
    said = f"Completeness: of {numbers.plural(len(every), 'measure')} {len(known)} can be judged"
    under = [in_text(one.indicator.title) for one in known if not one.reached]
    floors = numbers.share_range([one.indicator.floor for one in known])
    signals = [f"{in_text(one.indicator.title)} ({one.way})" for one in known if one.signal]
    far = f"; {numbers.listed(signals)} {form(len(signals), 'has')} a signal against the network" if signals else ""
    if not under:
        return f"{said}, and {'all of these' if len(known) > 1 else 'it'} {form(len(known), 'reaches', 'reach')} the {floors} asked for{far}."
    named = numbers.listed(under) if len(under) <= MOST_NAMED else numbers.plural(len(under), "measure")
    return f"{said}; under the {floors} asked for: {named}{far}."


def questions_in_short(found: Questions | None) -> str:
    """Say how many questions are open; nothing where none is, or nobody looked."""
    if found is None or not found.total:
        return ""
    few = found.hidden and found.total <= LARGEST_HIDDEN
    return f"Questions open: {f'{LARGEST_HIDDEN} or fewer' if few else numbers.count(found.total)}."


def region_words(one: OfClinic) -> str:
    """Say where the value lies among the limits about the network."""
    if not one.region:
        return "hidden" if one.hidden else numbers.MISSING
    if one.signal:
        return f"a signal ({one.way})"
    return f"{one.region} ({one.way}), {WORTH_A_LOOK}" if one.worth_a_look else one.region


def interval_text(one: OfClinic) -> str:
    """Write the interval of the value, without its unit; a dash where there is none."""
    if numbers.is_missing(one.lower):
        return numbers.MISSING
    show = bare_shower(one.indicator)
    return (
        numbers.share_interval(one.lower, one.upper)
        if one.indicator.kind == "share"
        else f"{show(one.lower)} to {show(one.upper)}"
    )


def blocks_words(found: ClinicFindings) -> str:
    """Say how many of the clinic's values over blocks can be shown, and that nothing was tested."""
    shown, total = blocks_shown(found)
    hidden = 0 if found.blocks is None else int(found.blocks.of(found.site)["hidden"].sum())
    why = [f"{hidden} {form(hidden, 'is')} hidden because of small counts"] if hidden else []
    empty = total - shown - hidden
    why += [f"{empty} {form(empty, 'has')} nobody to judge"] if empty else []
    return (
        f"Of {numbers.plural(total, 'value')} over blocks of quarters {shown or 'none'} can be shown"
        f"{f'; {numbers.listed(why)}' if why else ''}. No test was applied to them: a rise or a fall is no finding."
    )


def blocks_shown(found: ClinicFindings) -> tuple[int, int]:
    """Count the clinic's values over blocks that can be shown, and all of them."""
    rows: pd.DataFrame | None = None if found.blocks is None else found.blocks.of(found.site)
    return (0, 0) if rows is None else (int(rows["value"].notna().sum()), len(rows))


def blocks_told(found: ClinicFindings) -> str:
    """Say the values of the clinic over blocks beside those of the network, for the sentence of the figure."""
    if found.blocks is None:
        return ""
    said = []
    for span, name in enumerate(found.blocks.spans):
        mine, whole = (
            rows.loc[rows["span"] == span].iloc[0] for rows in (found.blocks.of(found.site), found.blocks.of(""))
        )
        values = [
            "hidden" if one["hidden"] else "nobody" if numbers.is_missing(one["value"]) else numbers.share(one["value"])
            for one in (mine, whole)
        ]
        said.append(f"{name}: {values[0]} (network {values[1]})")
    return f"{found.blocks.indicator.title} over {numbers.plural(len(said), 'span')} of quarters. {'; '.join(said)}."


def blocks_caption(found: ClinicFindings) -> str:
    """Say what the marks of that figure are."""
    if found.blocks is None:
        return ""
    level = numbers.level_in_words(found.level)
    window = "; open mark: the quarters compared" if len(found.blocks.spans) > found.blocks.blocks else ""
    stand = " Blocks stand as they were first released." if found.blocks.as_released else ""
    return f"Marks: the clinic with {level} intervals (Wilson){window}; line: the network, this clinic included.{stand}"


def late_words(found: Late) -> list[str]:
    """Say what came or changed since earlier releases, as far as their ledger tells."""
    if not found.quarter:
        return [FIRST_RELEASE]
    day = "" if found.as_of is None else f", with data up to {day_words(found.as_of)}"
    said = [f"The last release reported {quarter_in_words(found.quarter)}{day}."]
    if not found.compared + found.stand:
        said.append(
            "No earlier release compared the sites over the same quarters, so what came late to this clinic cannot be told; blocks shown "
            "before stand as they were."
        )
    if found.compared:
        n = len(found.revised)
        of = numbers.plural(found.compared, "value")
        told = [
            f"{in_text(one.title)}, {numbers.fraction(*was)}, now {numbers.fraction(*now)}"
            for one, was, now in found.revised[:_MOST_REVISED]
            if one.kind == "share"
        ]
        which = f": {'; '.join(told)}" if told else ""
        said.append(
            f"Of {of} of this clinic that an earlier release shows too, late data revised {n or 'none'}{which}."
        )
    if found.stand:
        stands = form(found.stand, "stands", "stand")
        said.append(
            f"Of this clinic {numbers.plural(found.stand, 'value')} {stands} as released, since late data changed too few patients to "
            "be told."
        )
    if found.of_network:
        of = numbers.plural(found.of_network, "value")
        said.append(
            f"Of {of} of all clinics together that both releases show, late data revised {found.of_network_revised or 'none'}."
        )
    return said


def questions_words(found: Questions) -> list[str]:
    """Say how many questions are open by kind, and of the patients only whether they are more than a small count."""
    if not found.total:
        return [NO_QUESTION]
    held = {kind: n for kind in _KINDS if (n := found.kinds.get(kind, 0))}
    small = found.hidden and min(held.values(), default=0) <= LARGEST_HIDDEN  # one kind could be taken from the sum
    kinds = [_KINDS[kind][1] if small else numbers.plural(n, *_KINDS[kind]) for kind, n in held.items()]
    many = f"more than {LARGEST_HIDDEN} patients" if found.of_many else f"{LARGEST_HIDDEN} patients or fewer"
    total = f"{form(found.total, 'is')} {numbers.plural(found.total, 'question')}, about {many}"
    if found.hidden and found.total <= LARGEST_HIDDEN:
        total = f"are {LARGEST_HIDDEN} questions or fewer"
    return [
        f"Open {total}: {numbers.listed(kinds)}.",
        "An unlikely value may be true. The command kneecurve check with --export writes every question with columns for the answer.",
    ]
