"""What the figures of a comparison show, in words: their alternative texts, and titles of slides, from the findings."""

from collections.abc import Sequence

from analysis.cohort.measures import Measure
from analysis.counted import form
from analysis.report.comparison.findings.finding import Difference, Findings, Mean, Seen, Shift
from analysis.report.comparison.findings.rules import side
from analysis.report.parts import numbers
from analysis.report.parts.numbers import capitalised, in_text, shown_decimals
from analysis.report.parts.wording import TITLE_LETTERS, counts_by_protocol


def means_words(found: Findings, measure: Measure, *, level: float) -> str:
    """Say the model means at the primary week; empty where there are none."""
    if not found.means:
        return ""
    said = [_mean(one, found, shown_decimals(measure), numbers.level_in_words(level)) for one in found.means]
    return f"At {numbers.moment(found.primary_week or 0.0)} the model means in {measure.unit} are: {'; '.join(said)}."


def _mean(one: Mean, found: Findings, decimals: int, percent: str) -> str:
    if numbers.is_missing(one.estimate):
        nobody = any(at.protocol == one.protocol and not at.seen for at in found.seen)
        return f"{one.protocol}: none{', nobody was seen' if nobody else ''}"
    limits = numbers.interval(one.lower, one.upper, decimals)
    return f"{one.protocol} {numbers.number(one.estimate, decimals)} ({percent} interval {limits})"


def means_title(found: Findings, measure: Measure, *, room: int = TITLE_LETTERS) -> str:
    """Say each mean at the primary week, for the title of a slide; where the letters are more than ``room`` the lowest and the highest.

    Empty where there is none.
    """
    known = [one for one in found.means if not numbers.is_missing(one.estimate)]
    if not known:
        return ""
    shown = {one.protocol: numbers.number(one.estimate, shown_decimals(measure)) for one in known}
    what = f"Mean {in_text(measure.label)} ({measure.unit}) at {numbers.moment(found.primary_week or 0.0)}"
    each = f"{what}: {', '.join(f'{name} {value}' for name, value in shown.items())}"
    if len(each) <= room:
        return each
    low, high = (shown[pick(known, key=lambda one: one.estimate).protocol] for pick in (min, max))
    return f"{what}: {low if low == high else f'{low} to {high}'}"


def differences_by_week_words(found: Findings, measure: Measure, *, level: float) -> str:
    """Say each difference at the primary week, of several first with the interval that a verdict on it rests on."""
    return _said_of(found.differences, measure, level)


def balanced_by_week_words(found: Findings, measure: Measure, *, level: float) -> str:
    """Say each difference at the primary week among patients made alike."""
    return _said_of([one.difference for one in found.balanced], measure, level)


def _said_of(differences: Sequence[Difference], measure: Measure, level: float) -> str:
    said = [_difference(one, measure, numbers.level_in_words(level)) for one in differences]
    return f"{'. '.join(said)}." if said else ""


def _difference(one: Difference, measure: Measure, percent: str) -> str:
    decimals, several = shown_decimals(measure), one.among > 1
    size = "no interval can be given"
    if one.verdict != "not compared":
        limits = numbers.interval(one.lower, one.upper, decimals)
        if several:
            limits = f"{limits} adjusted for {one.among} comparisons, {numbers.interval(*one.alone, decimals)} as drawn"
        size = f"{numbers.signed(one.estimate, decimals)} {measure.unit} ({percent} interval {limits})"
    which = "the interval drawn" if several else "the interval"
    weeks = f"; {which} leaves out zero at {one.apart or 'none'} of {one.weeks} weeks with one" if one.weeks > 1 else ""
    return f"{capitalised(one.protocol)} minus {one.reference} at {numbers.moment(one.week)}: {size}{weeks}"


def analyses_words(found: Findings, measure: Measure) -> str:
    """Say of each difference how far it goes under other assumptions about missing visits, and how many of them turn it."""
    said = []
    for one in (each for each in found.differences if each.analyses):
        low, high = (numbers.signed(value, shown_decimals(measure)) for value in one.spread)
        said.append(
            f"{capitalised(one.protocol)}: differences from {low} to {high} {measure.unit}; {_interval(side(one.lower, one.upper))}; "
            f"{one.turned_by or 'none'} of {one.analyses} other analyses {form(max(one.turned_by, 1), 'changes', 'change')} that"
        )
    return f"{'. '.join(said)}." if said else ""


def _interval(of_side: int) -> str:
    return f"the interval by the curves {'leaves out' if of_side else 'holds'} zero"


def shifts_words(found: Findings, measure: Measure) -> str:
    """Say of each difference which shift of the missed values changes the side of its interval."""
    said = [f"{capitalised(one.protocol)}: {_shift(one.shift, measure)}" for one in found.differences if one.shift]
    return f"{'. '.join(said)}." if said else ""


def _shift(shift: Shift, measure: Measure) -> str:
    if not shift.shifted:
        return "no value is missing, so nothing is shifted"
    decimals = shown_decimals(measure)
    if numbers.is_missing(shift.at):
        turn = f"no shift from {numbers.interval(shift.smallest, shift.largest, decimals)} {measure.unit} changes that"
    else:
        at = numbers.signed(shift.at, decimals)
        if at == numbers.signed(0.0, decimals) and shift.at != 0:
            at = f"less than {numbers.number(10.0**-decimals, decimals)}"
        turn = f"a shift of {at} {measure.unit} changes that"
    return f"without a shift the interval {'leaves out' if shift.excludes_zero else 'holds'} zero; {turn}"


def harm_words(found: Findings) -> str:
    """Say in how many patients of each protocol a serious harm, and another one, is on record."""
    if not found.harms:
        return ""
    serious = "; ".join(f"{name} {numbers.fraction(n, of)}" for name, n, _, of in found.harms)
    other = "; ".join(f"{name} {numbers.fraction(n, of)}" for name, _, n, of in found.harms)
    return f"Patients with a serious harm on record: {serious}. With another harm: {other}."


def harms_title(found: Findings) -> str:
    """Say it in one line, for the title of a slide: where names are long, of all patients and by the extremes."""
    of_all = numbers.plural(sum(of for *_, of in found.harms), "patient")
    serious, other = sum(n for _, n, _, _ in found.harms), sum(n for _, _, n, _ in found.harms)
    if not serious and not other:
        return f"No harm is on record of {of_all}"
    if not serious and found.harms_unsaid:
        return _counts("Harm, not said whether serious", [(name, n, of) for name, _, n, of in found.harms])
    if not serious:
        return f"No serious harm is on record of {of_all}; another one of {other}"
    return _counts("Serious harm on record", [(name, n, of) for name, n, _, of in found.harms])


def missing_words(found: Findings) -> str:
    """Say how many of each protocol have no value at the primary week; empty where visits have no schedule."""
    if not found.seen:
        return ""
    said = [f"{one.protocol} {_missed(one)} ({numbers.share(one.lost)})" for one in found.seen]
    return f"Missing at {numbers.moment(found.primary_week or 0.0)}: {'; '.join(said)}."


def missing_title(found: Findings) -> str:
    """Say the same in one line, for the title of a slide; empty where visits have no schedule."""
    if not found.seen:
        return ""
    counts = [(one.protocol, one.allocated - one.seen, one.allocated) for one in found.seen]
    return _counts(f"Missing at {numbers.moment(found.primary_week or 0.0)}", counts)


def _missed(one: Seen) -> str:
    return numbers.fraction(one.allocated - one.seen, one.allocated)


def _counts(what: str, counts: list[tuple[str, int, int]]) -> str:
    return f"{what}: {counts_by_protocol(counts, room=TITLE_LETTERS - len(what) - 2)}"
