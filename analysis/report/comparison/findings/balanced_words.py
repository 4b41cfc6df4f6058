"""What is said of a comparison among patients made alike, and of one that could not be made."""

from analysis.cohort import Measure
from analysis.curves.covariates import column_in_words
from analysis.report.comparison.findings.finding import Findings
from analysis.report.comparison.findings.rules import side
from analysis.report.comparison.findings.words import difference_words, spelled_out
from analysis.report.parts import numbers
from analysis.report.parts.numbers import capitalised, in_text, shown_decimals
from analysis.report.parts.wording import MOST_LISTED, named_or_counted

#: More covariates than this are counted in a sentence, and listed in the section (design choice).
_MOST_NAMED = 6


def balanced_for_words(found: Findings) -> str:
    """Name what patients are made alike in; many are counted.

    Examples
    --------
    >>> from analysis.report.comparison.findings.finding import Findings
    >>> nothing = dict.fromkeys(("seen", "differences", "courses", "opposite", "imbalance", "unusual", "at_best"), ())
    >>> one = Findings(**nothing, responders=None, no_room=(), tips=(), harms=(), balanced_for=("baseline", "age_years", "sex"))
    >>> balanced_for_words(one)
    'the baseline, age and sex'
    """
    words = list(dict.fromkeys(column_in_words(name) for name in found.balanced_for))
    return numbers.listed(words) if len(words) <= _MOST_NAMED else f"{len(words)} things known before the start"


def balanced_words(found: Findings, measure: Measure, *, level: float) -> list[str]:
    """Say what each difference among patients made alike supports, with the unadjusted one where it is alone; many are counted.

    Examples
    --------
    >>> balanced_words(Findings((), (), (), None, (), (), (), (), (), (), ()), None, level=0.95)
    []
    """
    if not found.balanced:
        return []
    told, rest = spelled_out(found.compared)
    said = []
    for place, one in enumerate(one for one in found.balanced if one.difference in told):
        words = difference_words(
            one.difference, measure, level=level, allocation="observational", again=place > 0, alike=True
        )
        if place == 0:
            words = f"Balanced for {balanced_for_words(found)}: {words[:1].lower()}{words[1:]}"
        said.append(f"{words} {unadjusted_words(found, measure)}" if len(found.balanced) == 1 else words)
    said += rest
    left_out = [
        one.protocol for one in found.differences if all(one.protocol != other.protocol for other in found.compared)
    ]
    if left_out:
        said.append(f"{capitalised(numbers.listed(left_out))} could not be compared among patients made alike.")
    return said


def not_balanced_words(found: Findings) -> str:
    """Say why patients were not made alike; empty where they are."""
    return (
        f"Patients could not be made alike, so the difference is that of the curves: {found.not_balanced}"
        if found.not_balanced
        else ""
    )


def unlisted_words(found: Findings) -> str:
    """Say how strong an unlisted factor would have to be to explain the differences away; of those that tell something."""
    told = [one for one in found.balanced if one.difference.verdict.startswith("favours")]
    if not told:
        return ""
    strengths = [f"{one.e_value:.1f} for {one.difference.protocol} (limit {one.e_value_limit:.1f})" for one in told]
    if len(strengths) > MOST_LISTED:
        strengths = [f"{min(one.e_value_limit for one in told):.1f} or more for the limits of {len(told)} differences"]
    return f"Something unlisted could explain it: E-value {numbers.listed(strengths)}."


def control_words(found: Findings, *, level: float) -> str:
    """Say what the measure that no protocol can have changed tells; empty where none was compared.

    Examples
    --------
    >>> control_words(Findings((), (), (), None, (), (), (), (), (), (), ()), level=0.95)
    ''
    """
    if not found.controls:
        return ""
    one, percent = found.controls[0], numbers.level_in_words(level)
    decimals, label = shown_decimals(one.measure), in_text(one.measure.label)
    adjusted = f", adjusted for {one.among} comparisons" if one.among > 1 else ""
    sizes = [
        f"{each.protocol} {numbers.signed(each.estimate, decimals)} ({numbers.interval(each.lower, each.upper, decimals)})"
        for each in found.controls
    ]
    apart = controls_apart(found)
    verdict = (
        f"With {numbers.listed(apart)} it differs from {one.reference}, which no protocol can have brought about: something was not "
        "made alike."
        if apart
        else f"No interval of {len(sizes)} leaves out zero, which does not prove that all else was made alike."
        if len(sizes) > 1
        else "The interval holds zero, which does not prove that all else was made alike."
    )
    return (
        f"Negative control: {label}, balanced differences from {one.reference} at {numbers.moment(one.week)} in {one.measure.unit} "
        f"({percent} intervals{adjusted}): {'; '.join(sizes)}. {verdict}"
    )


def controls_apart(found: Findings) -> list[str]:
    """Name the protocols with which the negative control differs."""
    return [one.protocol for one in found.controls if side(one.lower, one.upper)]


def few_carry_words(found: Findings) -> str:
    """Say which balanced differences a few patients carry; empty where none is."""
    those = [one.difference.protocol for one in found.balanced if one.few_carry]
    return (
        f"A few patients carry the balanced difference of {named_or_counted(those, len(found.balanced))}."
        if those
        else ""
    )


def unadjusted_words(found: Findings, measure: Measure) -> str:
    """Say the differences as they are without any adjustment; many are counted in the table alone."""
    decimals, several = shown_decimals(measure), len(found.balanced) > 1
    sizes = [
        f"{numbers.signed(one.crude[0], decimals)}{f' with {one.difference.protocol}' if several else ''} "
        f"({numbers.interval(one.crude[1], one.crude[2], decimals)})"
        for one in found.balanced
    ]
    return f"Unadjusted: {', '.join(sizes)}." if 0 < len(sizes) <= MOST_LISTED else ""
