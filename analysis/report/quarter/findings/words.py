"""Who was seen and which indicators changed, in words: how many were judged before what was found."""

import datetime
from collections.abc import Sequence

from analysis.cohort.follow_up.as_of import day_in_words
from analysis.counted import form
from analysis.quarter.over_time.release_changes import RULES as SIGNAL_RULES
from analysis.quarter.over_time.run_chart import RULES as RUN_RULES
from analysis.quarter.over_time.special_causes import RULES
from analysis.quarter.periods import quarter_before, quarter_in_words
from analysis.report.parts import numbers
from analysis.report.parts.indicator_numbers import rate_decimals
from analysis.report.parts.numbers import decimals_for, in_text
from analysis.report.quarter.findings.finding import LOST, Followed, Patients, QuarterFindings

#: More indicators than this are counted and not named.
MOST_NAMED = 4
STEADIER = "steadier"
#: What a rule of a chart, or a site beyond a limit drawn, is without a signal.
WORTH_A_LOOK = "worth a look"
#: Why an indicator has no value in the quarter.
NO_VALUE = {
    "not yet due": "the patients are not yet due",
    "hidden": "no value can be shown because of small counts",
    "nobody": "nobody is counted",
}


def who_words(found: QuarterFindings) -> list[str]:
    """Say who started in the quarter, who of them was seen, and who was lost or is not yet due."""
    quarter, who = quarter_in_words(found.quarter), found.patients
    if who is None:
        return [
            f"The numbers of {quarter} are counts given without patients: who was due, seen or lost is not in them."
        ]
    started = _started(found, who, quarter)
    if who.not_yet_due:
        due = quarter_in_words(found.latest_due) if found.latest_due else ""
        latest = (
            f" The latest quarter all of whose patients were due is {due}; a report of that quarter tells its outcomes."
            if due
            else ""
        )
        return [started, f"Nobody of them was due{_by(found)}, so nothing is said of their outcomes.{latest}"]
    if numbers.is_missing(who.lost):
        return [
            started,
            f"How many were seen ({who.judged_words}) and how many were lost is hidden because of small counts.",
        ]
    seen = f"{form(who.judged, 'was')} {numbers.count(who.judged)} of {numbers.count(who.due)}"
    n = who.due - who.judged
    lost = f"{numbers.count(n)} {form(n, 'was')} lost{', a third or more' if who.much_lost else ''}"
    of_them = f"({numbers.share(1 - who.lost)}), the {who.judged_words}; {lost if n else 'nobody was lost'}."
    return [started, f"Seen {seen} {of_them}"]


def changed_words(found: QuarterFindings) -> list[str]:
    """Say in how many of the indicators judged a change is seen, which way, and of which nothing can be told.

    What got worse comes first.
    """
    first, told, rest = _told(found)
    main = _main(found)
    return [*first, *(_change(found, one) for one in told), *rest, *([_state(found, main)] if main else [])]


def changed_points(found: QuarterFindings) -> list[str]:
    """Say the same in few words, for a slide."""
    first, told, rest = _told(found)
    main = _main(found)
    named = [*told[:1], main] if main else told[:2]
    return [" ".join([*first, *rest]), *(f"{title_words(found, one)}." for one in named)]


def _told(found: QuarterFindings) -> tuple[list[str], list[Followed], list[str]]:
    """Give the verdict on all, the indicators that changed, and what is said of the others."""
    followed = found.beside_completeness
    if not followed:
        return ["No outcome was followed."], [], []
    lost = [one for one in followed if group_of(one) == LOST]
    judged = [one for one in followed if one.judged]
    order = {"worse": 0, "better": 1, "": 2}
    changed = sorted((one for one in judged if has_changed(one)), key=lambda one: order[one.change.direction])
    among = (
        f"the one indicator judged, {_names(judged)}" if len(judged) == 1 else f"the {len(judged)} indicators judged"
    )
    first = [f"Too many were lost for a conclusion about {_names(lost)}."] if lost else []
    if changed:
        first.append(f"A change is seen in {among if len(judged) == 1 else f'{len(changed)} of {among}'}.")
    elif judged:
        first.append(f"No change can be told in {among if len(judged) == 1 else f'any of {among}'}.")
    told = changed[:MOST_NAMED]
    rest = [f"The other {len(changed) - len(told)} stand under What changed."] if len(changed) > len(told) else []
    steadier = [one for one in judged if one.change.way == STEADIER]
    if steadier:
        rest.append(
            f"Points lie nearer together than chance makes them in {_names(steadier)}: ask whether the limits fit."
        )
    rest += _recent_words(judged)
    return first, told, [*rest, *_not_judged(followed, any_judged=bool(judged or lost))]


def _recent_words(judged: Sequence[Followed]) -> list[str]:
    """Name the signals of the year before in indicators that have none now, so that none is forgotten."""
    earlier = [one for one in judged if one.change.recent]
    if not earlier:
        return []
    if len(earlier) > MOST_NAMED:
        return [f"In the year before, {len(earlier)} of these had a signal that is none now; see What changed."]
    told = [f"{in_text(name_words(one))} ({_when(one)})" for one in earlier]
    return [f"In the year before there was a signal that is none now in {numbers.listed(told)}."]


def _when(one: Followed) -> str:
    """Say in which periods of the year before an indicator had signals, and which way the last of each kind went."""
    ways = {way: period for period, way in one.change.recent}
    return numbers.listed([f"{way} in {quarter_in_words(period)}" for way, period in ways.items()])


def _main(found: QuarterFindings) -> Followed | None:
    """Give the main outcome where it has a value, unless it has changed, which is told with the changes."""
    main = next((one for one in found.followed if one.indicator.name == found.main), None)
    if main is None or numbers.is_missing(main.value) or group_of(main) == "signal":
        return None
    return main


def _state(found: QuarterFindings, main: Followed) -> str:
    lost = group_of(main) == LOST
    who, usual = (" among those seen", "") if lost else ("", _usual(main))
    return f"{name_words(main)}{who}: {_measured(found, main)}, {against_words(main)}{usual}."


def _change(found: QuarterFindings, one: Followed) -> str:
    """Say a change; of harms the numbers stand with the harms."""
    if one is found.harms:
        return f"{name_words(one)}: {verdict_words(found, one)}."
    return f"{name_words(one)}: {_measured(found, one)}, {against_words(one)}; {verdict_words(found, one)}."


def _not_judged(followed: Sequence[Followed], *, any_judged: bool) -> list[str]:
    said = []
    groups = {
        verdict: [one for one in followed if one.change.verdict == verdict] for verdict in ("too early", *NO_VALUE)
    }
    for verdict, those in groups.items():
        if not those:
            continue
        every = len(those) == len(followed) > 1 and not any_judged
        names = f"any of the {len(those)} indicators" if every else _names(those)
        if verdict == "too early":
            least, most = min(one.points for one in those), max(one.points for one in those)
            points = numbers.plural(most, "point") if least == most else f"{least} to {most} points"
            said.append(f"It is too early to tell a change in {names}: {points} can be shown over time.")
        else:
            said.append(f"Nothing can be told of {names}: {NO_VALUE[verdict]}.")
    return said


def group_of(one: Followed) -> str:
    """Give the verdict on an indicator, or what takes its place: points that only hug their line."""
    return STEADIER if one.change.way == STEADIER else one.change.verdict


def has_changed(one: Followed) -> bool:
    """Say whether an indicator has a signal."""
    return one.change.verdict == "signal"


def verdict_words(found: QuarterFindings, one: Followed) -> str:
    """Say in a few words what can be told of an indicator."""
    change = one.change
    if group_of(one) == LOST:
        return "too many lost to tell"
    if change.way == STEADIER:
        return "no change, points nearer together than by chance"
    if change.verdict == "signal":
        began = "" if change.since == found.quarter else f" since {quarter_in_words(change.since)}"
        which = f" ({change.direction})" if change.direction else ""
        return f"{change.way} than the baseline{began}{which}"
    return {"no signal": "no change can be told", "too early": "too early to tell", **NO_VALUE}[change.verdict]


def item_words(found: QuarterFindings, one: Followed) -> str:
    """Say of one indicator its value, that of the quarter before, and which change its chart tells.

    That no change can be told is said by the heading.
    """
    if one.change.verdict in NO_VALUE:
        return f"{name_words(one)} in {quarter_in_words(found.quarter)}: {verdict_words(found, one)}."
    earlier = quarter_in_words(quarter_before(found.quarter))
    (before,) = shown(one, one.before)
    then = f"no value for {earlier}" if numbers.is_missing(one.before) else f"{before} in {earlier}"
    met = f", by {numbers.listed([SIGNAL_RULES[name] for name in one.change.rules])}" if one.change.rules else ""
    run = " (run chart: two quarters or more together only)" if one.judged and one.chart == "run chart" else ""
    wanders = "; over the whole chart its runs about the median are not those of chance" if one.wanders else ""
    told = f"; {verdict_words(found, one)}{met}" if one.change.verdict == "signal" else ""
    if one.change.look and one.change.verdict != "signal":
        rules = RULES if one.chart == "control chart" else RUN_RULES
        told += f"; {WORTH_A_LOOK}: {numbers.listed([rules[name] for name in one.change.look])}"
    if one.change.recent:
        told += f"; a signal in the year before, {_when(one)}"
    return f"{name_words(one)}: {_measured(found, one)}, {then}{told}{run}{wanders}."


def chart_words(found: QuarterFindings, one: Followed) -> str:
    """Say what the quarter tells, for the sentence of a chart, which has the values and the rules met."""
    quarter = quarter_in_words(found.quarter)
    if one.change.verdict in NO_VALUE:
        return f"No point in {quarter}: {verdict_words(found, one)}."
    looked = f"; a rule met, {WORTH_A_LOOK}" if one.change.look and one.change.verdict != "signal" else ""
    return f"In {quarter}: {verdict_words(found, one)}{looked}."


def title_words(found: QuarterFindings, one: Followed) -> str:
    """Say the same in one line, for the title of a slide."""
    quarter = quarter_in_words(found.quarter)
    if one.change.verdict in NO_VALUE:
        return f"{name_words(one)}, {quarter}: {verdict_words(found, one)}"
    met = one.change.look and one.change.verdict == "no signal" and one.change.way != STEADIER
    looked = f", {WORTH_A_LOOK}" if met else ""
    return f"{name_words(one)}: {shown(one, one.value)[0]} in {quarter}, {verdict_words(found, one)}{looked}"


def shown(one: Followed, *values: float) -> list[str]:
    """Write values of an indicator with its unit, with as many decimals as it takes that the first two differ.

    Shares are given as 0 to 1, rates per patient.
    """
    kind = one.indicator
    factor = 100.0 if kind.kind == "share" else kind.per
    scaled = [factor * value for value in values]
    decimals = 0 if kind.kind == "share" else rate_decimals(kind)
    if kind.kind == "mean":
        decimals = decimals_for([value for value in scaled if not numbers.is_missing(value)] or [0.0])
    if len(scaled) > 1 and scaled[0] != scaled[1] and not any(map(numbers.is_missing, scaled[:2])):
        decimals = numbers.decimals_apart(scaled[0], scaled[1], decimals)
    if kind.kind == "share":
        return [numbers.share(value, decimals) for value in values]
    return [f"{numbers.number(value, decimals)} {kind.unit_words}".rstrip() for value in scaled]


def interval_words(one: Followed) -> str:
    """Give the limits of the interval, without the unit of a rate."""
    if one.indicator.kind == "share":
        return numbers.share_interval(one.lower, one.upper)
    return " to ".join(text.removesuffix(one.indicator.unit_words).strip() for text in shown(one, one.lower, one.upper))


def _measured(found: QuarterFindings, one: Followed) -> str:
    """Give the value of the quarter with its counts and its interval."""
    value, *_ = shown(one, one.value, one.baseline if has_changed(one) else one.value)
    among = f"{numbers.count(one.numerator)} among {numbers.count(one.denominator)}"
    counts = {"share": [numbers.fraction(one.numerator, one.denominator)], "rate": [among], "mean": []}[
        one.indicator.kind
    ]
    if not numbers.is_missing(one.lower):
        counts.append(f"{numbers.level_in_words(found.level)} interval {interval_words(one)}")
    bracket = f" ({'; '.join(counts)})" if counts else ""
    return f"{value}{bracket} in {quarter_in_words(found.quarter)}"


def against_words(one: Followed) -> str:
    """Give the value of the baseline."""
    if numbers.is_missing(one.baseline):
        return "the baseline hidden"
    return f"{shown(one, one.baseline, one.value if has_changed(one) else one.baseline)[0]} over the baseline"


def _usual(one: Followed) -> str:
    """Say within which limits a single quarter tells nothing."""
    if numbers.is_missing(one.usual[0]):
        return ""
    low, high = shown(one, *one.usual)
    if low == high:
        return ""
    unit = f" {one.indicator.unit_words}" if one.indicator.kind != "share" else " %"
    return f"; the chart takes {low.removesuffix(unit)} to {high} in one quarter for chance"


def _started(found: QuarterFindings, who: Patients, quarter: str) -> str:
    """Say how many started, and how many of them were due; that all were is said where the date is known."""
    if numbers.is_missing(who.started):
        if numbers.is_missing(who.due) or who.not_yet_due:
            return f"How many patients started in {quarter} cannot be shown."
        return f"Of those who started in {quarter}, {numbers.plural(who.due, 'patient')} {form(who.due, 'was')} due{_by(found)}."
    started = f"In {quarter}, {numbers.plural(who.started, 'patient')} started"
    if who.not_yet_due:
        return f"{started}."
    if numbers.is_missing(who.due):
        return f"{started}; how many of them were due{_by(found)} is hidden because of small counts."
    if who.partly_due:
        return (
            f"{started}; {numbers.count(who.due)} of them {form(who.due, 'was')} due{_by(found)}, the others not yet."
        )
    return f"{started}; {'all were' if who.started != 1 else 'the one was'} due{_by(found)}."


def _by(found: QuarterFindings) -> str:
    """Say by when patients were due."""
    return " by the last day seen" if found.as_of is None else f" by {day_words(found.as_of)}"


def day_words(day: str) -> str:
    """Write a day such as 2026-03-31 as readers say it."""
    return day_in_words(datetime.date.fromisoformat(day))


def name_words(one: Followed) -> str:
    """Name an indicator at the beginning of a sentence."""
    title = one.indicator.title
    return f"Completeness of {in_text(title)}" if one.indicator.name.startswith("complete ") else title


def _names(those: Sequence[Followed]) -> str:
    return (
        numbers.listed([in_text(name_words(one)) for one in those])
        if len(those) <= MOST_NAMED
        else f"{len(those)} indicators"
    )
