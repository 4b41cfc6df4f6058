"""The findings of a protocol comparison in words: no more than was looked at, and first what a reader must know."""

from collections.abc import Mapping, Sequence

from analysis.cohort.measures import Measure
from analysis.counted import form
from analysis.report.comparison.findings.finding import Course, Difference, Findings, Seen
from analysis.report.comparison.parameters import Allocation
from analysis.report.parts import numbers
from analysis.report.parts.numbers import capitalised, decimals_apart, in_text, shown_decimals
from analysis.report.parts.wording import MOST_LISTED, named_or_counted

#: With more comparisons than this, those that tell nothing are counted and not spelled out.
MOST_SPELLED_OUT = 3
#: Courses that are told one by one.
_MOST_COURSES = 2
#: Letters of a line that a title holds at most, and from which on those of which nothing can be told are counted.
_MOST_LETTERS, _COUNTED_FROM = 108, 96


def seen_words(found: Findings, week: float, measure: Measure) -> str:
    """Say how many of each protocol were seen at the primary week, of visits with a schedule, and whether losses matter."""
    seen, allocated = sum(one.seen for one in found.seen), sum(one.allocated for one in found.seen)
    who = f"At {numbers.moment(week)},"
    if len(found.seen) == 1 or seen == allocated:
        said = f"{who} {_were_seen(seen, allocated)} with a value of {in_text(measure.label)}."
    else:
        said = (
            f"{who} {_were_seen(seen, allocated)} with a value of {in_text(measure.label)}: {_by_protocol(found.seen)}."
        )
    if found.much_lost:
        names = named_or_counted([f"{one.protocol} ({_lost(one)})" for one in found.much_lost], len(found.seen))
        said += f" A third or more have none: {names}."
    elif found.losses_differ:
        least, most = (pick(found.seen, key=lambda one: one.lost) for pick in (min, max))
        said += f" The losses differ: {_lost(most)} with {most.protocol} and {_lost(least)} with {least.protocol} have none."
    return said


def difference_words(
    found: Difference,
    measure: Measure,
    *,
    level: float,
    allocation: Allocation,
    again: bool = False,
    alike: bool = False,
) -> str:
    """Say what a difference at the primary week supports.

    One or two sentences; ``level`` is that of the interval, ``again`` whether another difference stands before it, ``alike``
    whether it is among patients made alike. An interval that holds zero is never called equality.

    Examples
    --------
    >>> from analysis.cohort.catalogue import load_catalogue
    >>> from analysis.report.comparison.findings.finding import Difference
    >>> one = Difference("early", "usual", 26.0, -0.5, -1.2, 0.2, 0.16, 1, None, None, "undecided", 3.0, 3.5, 0, 0)
    >>> difference_words(one, load_catalogue()["pain"], level=0.95, allocation="randomised")
    'These data do not tell whether early or usual is better. Mean pain at week 26 was 0.50 points lower with early; 95 %
    interval 1.20 lower (better) to 0.20 higher (worse).'
    """
    decimals, percent = shown_decimals(measure), numbers.level_in_words(level)
    protocol, reference = found.protocol, found.reference
    if found.verdict == "not compared":
        nobody = [one.protocol for one in (found.seen, found.reference_seen) if one is not None and not one.seen]
        why = f"nobody of {numbers.listed(nobody)} was seen" if nobody else "no interval can be given"
        return f"{capitalised(protocol)} could not be compared with {reference} at {numbers.moment(found.week)}: {why}."
    adjusted = f", adjusted {'alike' if again else f'for {found.among} comparisons'}," if found.among > 1 else ""
    beyond = any(map(measure.is_beyond_ideal, (found.mean, found.reference_mean)))
    unjudged = beyond or found.far is not None or found.verdict == "no conclusion"
    limits = _limits(found, decimals, None if unjudged else measure)
    if found.verdict.startswith("favours"):
        near, far = sorted((abs(found.lower), abs(found.upper)))
        limits = f"{numbers.interval(near, far, decimals)} {'higher' if found.estimate > 0 else 'lower'}"
    detectable = measure.smallest_threshold("MDC")
    below = is_below_error(found, measure)
    shown = decimals_apart(abs(found.estimate), detectable or 0.0, decimals) if below else decimals
    mean = "The mean" if again else f"Mean {in_text(measure.label)} at {numbers.moment(found.week)}"
    size = f"{mean} was {_moved(found.estimate, shown, measure.unit)} with {protocol}; {percent} interval{adjusted} {limits}."
    better, other = (protocol, reference) if found.verdict == "favours protocol" else (reference, protocol)
    if found.verdict == "undecided":
        verdict = f"These data do not tell whether {protocol} or {reference} is better."
    elif found.verdict == "beyond the ideal":
        verdict = f"Which of {protocol} and {reference} is better is not said: {_beyond(found, measure, decimals)}."
    elif found.verdict == "no conclusion":
        verdict = f"No conclusion about {protocol} against {reference}, as too many were not seen."
    elif allocation == "randomised":
        verdict = f"These data favour {better} over {other}."
    else:
        verdict = f"Patients with {better} did better on average than those with {other}"
        verdict += "." if alike else "; the groups may differ in other ways."
    return f"{verdict} {size}"


def is_below_error(found: Difference, measure: Measure) -> bool:
    """Say whether a difference is told that in one patient could not be told from the error of measurement."""
    detectable = measure.smallest_threshold("MDC")
    return found.verdict.startswith("favours") and detectable is not None and abs(found.estimate) < detectable


def course_story(found: Course, primary_week: float) -> str:
    """Say what holds at the primary week, or at the last one, of a difference told of another week."""
    main = numbers.moment(primary_week)
    return {
        "faded": f"not found at {main}",
        "not yet": f"not yet found at {main}",
        "reversed": f"the other way at {main}",
        "open": f"cannot be told at {main}",
        "gone": f"found no more at {numbers.moment(found.week)}",
    }[found.kind]


def courses_words(found: Findings, measure: Measure) -> list[str]:
    """Tell the other weeks in one sentence, each with what holds at the primary one; many are counted.

    Their intervals stand in the table of findings; where too many were lost at the primary week, who was seen is told.
    """
    if len(found.courses) > _MOST_COURSES:
        return [f"Secondary: {len(found.courses)} differences are other ones at other weeks."]
    main = found.differences[0].week if found.differences else 0.0
    said = []
    for one in found.courses:
        story = course_story(one, main)
        story = f"which {story}" if one.kind == "open" else story
        seen = f" (seen {_by_protocol(one.seen)})" if one.kind == "open" and one.seen else ""
        size = f"{_moved(one.estimate, shown_decimals(measure), measure.unit)} with {one.protocol}"
        also = f" (so too at {numbers.listed([numbers.moment(week) for week in one.also])})" if one.also else ""
        at = f"at {numbers.moment(one.week)}{also}{seen}"
        said.append(f"the difference of {one.protocol} is {story}" if one.kind == "gone" else f"{size} {at}, {story}")
    return [f"Secondary: {'; '.join(said)}."] if said else []


def differences_words(found: Findings, measure: Measure, *, level: float, allocation: Allocation) -> list[str]:
    """Say every difference, or where there are many those that tell something, and count the others."""
    told, others = spelled_out(found.differences, lost_before=found.much_lost)
    said: list[str] = []
    for one in told:
        again = any(before.verdict != "not compared" for before in told[: len(said)])
        said.append(difference_words(one, measure, level=level, allocation=allocation, again=again))
    return [*said, *others, *_not_in_the_model(found)]


def spelled_out(
    differences: Sequence[Difference], *, lost_before: Sequence[Seen] = ()
) -> tuple[tuple[Difference, ...], list[str]]:
    """Give the differences that are told one by one, where there are many those that tell something; the others are counted.

    ``lost_before`` are protocols of which it was said before that many were lost.
    """
    told = tuple(differences)
    if len(told) > MOST_SPELLED_OUT:
        told = tuple(one for one in told if one.verdict.startswith("favours"))
    said: list[str] = []
    rest = [one for one in differences if one not in told]
    for verdict, what in (
        ("undecided", "the interval holds no difference: these data do not tell which is better"),
        ("no conclusion", "too many were lost for a conclusion"),
        ("beyond the ideal", "values lie beyond the best one"),
        ("not compared", "no interval can be given"),
    ):
        number = sum(one.verdict == verdict for one in rest)
        if number:
            others = "the comparison" if number == 1 else f"{number} of the {len(differences)} comparisons"
            those = [one.protocol for one in rest if one.verdict == verdict]
            before = {one.protocol for one in lost_before} if len(lost_before) <= MOST_LISTED else set[str]()
            to_name = verdict == "no conclusion" and number <= MOST_LISTED and not set(those) <= before
            named = f" ({numbers.listed(those)})" if to_name else ""
            said.append(f"For {others} with {rest[0].reference}{named} {what}.")
    return told, said


def _not_in_the_model(found: Findings) -> list[str]:
    """Say which protocols are not among the comparisons, as the model holds nobody of them."""
    compared = {name for one in found.differences for name in (one.protocol, one.reference)}
    without = [one.protocol for one in found.seen if one.protocol not in compared]
    if not without or not compared:
        return []
    base, names = found.differences[0].reference, numbers.listed(without)
    return [f"{capitalised(names)} could not be compared with {base}: the model holds nobody of {names}."]


def unturned_words(found: Findings) -> list[str]:
    """Say of differences about which nothing is concluded where none of the other analyses gives another answer."""
    those = [one for one in found.differences if one.verdict == "no conclusion" and one.analyses and not one.turned_by]
    if not those:
        return []
    names = named_or_counted([f"{one.protocol} (0 of {one.analyses})" for one in those], len(found.differences))
    return [f"No analysis with other assumptions about missing visits gives another answer for {names}."]


def means_doubt(found: Findings) -> str:
    """Say in few words what means must not be read without, for the title of their slide; empty where nothing is."""
    if found.unusual:
        return "means lie outside what groups have"
    lost = [one.protocol for one in found.much_lost]
    if lost:
        return f"a third or more lost of {named_or_counted(lost, len(found.seen))}"
    return "groups not made alike" if found.balanced else ""


def slide_title(found: Findings, measure: Measure) -> str:
    """Say the differences in one line, for the title of a slide; empty where nothing is compared."""
    if not found.differences:
        return ""
    decimals, when = shown_decimals(measure), numbers.moment(found.compared[0].week)
    told = [
        f"{one.protocol}: {_moved(one.estimate, decimals, measure.unit)} at {when} "
        f"({numbers.interval(min(abs(one.lower), abs(one.upper)), max(abs(one.lower), abs(one.upper)), decimals)})"
        for one in found.compared
        if one.verdict.startswith("favours")
    ]
    rest = {
        what: [one.protocol for one in found.compared if one.verdict == verdict]
        for verdict, what in (
            ("no conclusion", "too many lost to tell"),
            ("beyond the ideal", "values beyond the best one"),
            ("undecided", "cannot be told"),
            ("not compared", "no interval"),
        )
    }
    return capitalised(one_line(told, rest, of=len(found.compared), when=when))


def one_line(told: Sequence[str], rest: Mapping[str, Sequence[str]], *, of: int, when: str) -> str:
    """Put what is told of protocols into one line, with the others named or, where that is long, counted.

    ``told`` has protocol and week, ``rest`` names the others by what can be said of them, ``of`` is how many are compared;
    ``when`` is the week, for a line that tells of none; empty where it is said before.

    Examples
    --------
    >>> one_line([], {"cannot be told": ["early"]}, of=1, when="week 26")
    'early, week 26: cannot be told'
    >>> one_line([], {"cannot be told": ["early", "early and late"]}, of=2, when="week 26")
    'both protocols, week 26: cannot be told'
    >>> one_line(["late: 2 points higher at week 26"], {"cannot be told": ["a", "b", "c"]}, of=4, when="week 26")
    'late: 2 points higher at week 26; 3 of 4 protocols: cannot be told'
    """
    said = list(told)
    if len("; ".join(said)) > _MOST_LETTERS and len(said) > 1:
        said = [f"{_counted(len(told), of)}{f', {when}' if when else ''}: a difference can be told"]
    for what, names in rest.items():
        if names:
            several = (
                _counted(len(names), of) if len(names) > 2 or len(names) == of == 2 else numbers.listed(list(names))
            )
            if len(names) > 1 and said and len("; ".join([*said, several, what])) > _COUNTED_FROM:
                several = numbers.plural(len(names), "other")
            said.append(f"{several}{f', {when}' if when and not said else ''}: {what}")
    return "; ".join(said)


def _counted(protocols: int, of: int) -> str:
    every = "both protocols" if of == 2 else f"all {of} protocols"
    return every if protocols == of else f"{protocols} of {of} protocols"


def _were_seen(seen: int, allocated: int) -> str:
    if seen == allocated:
        return f"all {numbers.plural(allocated, 'patient')} were seen" if allocated > 1 else "the one patient was seen"
    if allocated == 1:
        return "the one patient was not seen"
    return f"{numbers.count(seen) if seen else 'none'} of {numbers.count(allocated)} patients {form(seen, 'was')} seen"


def _by_protocol(seen: Sequence[Seen]) -> str:
    if len(seen) > MOST_LISTED:
        least, most = (pick(seen, key=lambda one: -one.lost) for pick in (min, max))
        return "the same share of each" if least.lost == most.lost else f"from {_fraction(least)} to {_fraction(most)}"
    return ", ".join(_fraction(one) for one in seen)


def _fraction(one: Seen) -> str:
    return f"{one.protocol} {numbers.fraction(one.seen, one.allocated)}"


def _lost(one: Seen) -> str:
    return f"{numbers.count(one.allocated - one.seen)} of {numbers.count(one.allocated)}"


def _moved(value: float, decimals: int, unit: str) -> str:
    size = numbers.number(abs(value), decimals)
    if size.strip("0.") == "":
        size = f"less than {numbers.number(10.0**-decimals, decimals)}"
    return f"{size} {unit} {'higher' if value > 0 else 'lower'}"


def _beyond(found: Difference, measure: Measure, decimals: int) -> str:
    """Say which means lie beyond the best value, and where the other one is, or how far from it patients are on both sides."""
    ideal = measure.ideal or 0.0
    if found.far is not None:
        own, other = (f"{numbers.number(far, decimals)} {measure.unit}" for far in found.far)
        return (
            f"patients lie on both sides of {ideal:g}, on average {own} from it with {found.protocol} and {other} with "
            f"{found.reference}"
        )
    no_better = f"where {'higher' if measure.sign > 0 else 'lower'} is not better"
    within: list[str] = []
    beyond: list[str] = []
    for name, mean in ((found.protocol, found.mean), (found.reference, found.reference_mean)):
        side = beyond if measure.sign * (mean - ideal) > 0 else within
        side.append(f"with {name}, {numbers.number(mean, decimals)} {measure.unit}")
    if within:
        return f"the mean {beyond[0]}, lies beyond {ideal:g} ({within[0]}), {no_better}"
    return f"the means {beyond[0]}, and {beyond[1]}, lie beyond {ideal:g}, {no_better}"


def _limits(found: Difference, decimals: int, measure: Measure | None) -> str:
    return f"{_limit(found.lower, decimals, measure)} to {_limit(found.upper, decimals, measure)}"


def _limit(value: float, decimals: int, measure: Measure | None) -> str:
    """Show a limit with its direction, and where a measure is given with which is better."""
    shown = numbers.number(abs(value), numbers.off_zero(value, decimals))
    if shown.strip("0.") == "":
        return "no difference"
    said = f"{shown} {'higher' if value > 0 else 'lower'}"
    if measure is None:
        return said
    return f"{said} ({'better' if value * measure.sign > 0 else 'worse'})"
