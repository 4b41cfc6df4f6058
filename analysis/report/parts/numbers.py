"""Numbers as readers see them: the only place where they are rounded."""

import math
from collections.abc import Sequence
from typing import Any

import pandas as pd

from analysis.cohort.measures import Measure
from analysis.cohort.schedule import moment as time_in_words
from analysis.counted import form

#: Shown in a table cell where there is no value.
MISSING = "–"
MINUS = "−"
#: First words of labels that are written in lower case within a sentence.
_COMMON = frozenset(
    (
        "all", "quadriceps", "hamstring", "knee", "thigh", "pain", "limb", "arc", "extension", "flexion", "lower", "anterior",
        "six-minute", "distance", "patients", "mean", "adherence", "harms", "wait", "completeness",
    )
)  # fmt: skip


def number(value: Any, decimals: int = 1) -> str:
    """Show a number with fixed decimals and a true minus sign; a missing one as a dash.

    Thousands are separated from 10,000 on.

    Examples
    --------
    >>> number(-0.127, 2), number(-0.001, 2), number(12345.6, 0), number(float("nan"))
    ('−0.13', '0.00', '12,346', '–')
    """
    if is_missing(value):
        return MISSING
    exact = float(value)
    if math.isinf(exact):
        return "∞" if exact > 0 else f"{MINUS}∞"
    text = f"{abs(exact):{',' if abs(exact) >= 9_999.5 else ''}.{decimals}f}"
    negative = exact < 0 and any(digit in text for digit in "123456789")
    return f"{MINUS}{text}" if negative else text


def signed(value: Any, decimals: int = 1) -> str:
    """Show a difference: like :func:`number`, with a plus sign where it is positive.

    Examples
    --------
    >>> signed(0.5), signed(-0.5), signed(0.0)
    ('+0.5', '−0.5', '0.0')
    """
    text = number(value, decimals)
    positive = not is_missing(value) and float(value) > 0 and any(digit in text for digit in "123456789∞")
    return f"+{text}" if positive else text


def off_zero(value: Any, decimals: int) -> int:
    """Give the decimals at which a value near zero is not shown as zero: up to three more.

    Examples
    --------
    >>> off_zero(0.3, 1), off_zero(-0.003, 2), off_zero(0.0, 2), off_zero(1e-9, 2)
    (1, 3, 2, 2)
    """
    size = abs(float(value))
    return next((more for more in range(decimals, decimals + 4) if size == 0 or round(size, more) > 0), decimals)


def interval(lower: Any, upper: Any, decimals: int = 1) -> str:
    """Show both limits of an interval; one near zero so that it is not taken for zero.

    Examples
    --------
    >>> interval(-0.25, 1.5, 2), interval(0.003, 0.41, 2)
    ('−0.25 to 1.50', '0.003 to 0.41')
    >>> interval(None, 1.5)
    '–'
    """
    if is_missing(lower) or is_missing(upper):
        return MISSING
    return " to ".join(number(limit, off_zero(limit, decimals)) for limit in (lower, upper))


def signed_with_interval(value: Any, lower: Any, upper: Any, decimals: int = 1) -> str:
    """Show a difference with its interval in brackets, where it has one.

    Examples
    --------
    >>> signed_with_interval(0.5, 0.1, 0.9), signed_with_interval(0.5, float("nan"), float("nan"))
    ('+0.5 (0.1 to 0.9)', '+0.5')
    """
    known = not (is_missing(lower) or is_missing(upper))
    return f"{signed(value, decimals)} ({interval(lower, upper, decimals)})" if known else signed(value, decimals)


def count(value: Any) -> str:
    """Show a whole number; thousands are separated from 10,000 on.

    Examples
    --------
    >>> count(1234), count(12345), count(None)
    ('1234', '12,345', '–')
    """
    return number(value, 0)


def share(value: Any, decimals: int = 0) -> str:
    """Show a share between 0 and 1 in percent; a missing one (an empty denominator) as a dash, never as 0 %.

    Examples
    --------
    >>> share(0.256), share(float("nan")), share(0.004), share(0.9998), share(0.0), share(1.0)
    ('26 %', '–', '0.4 %', '99.98 %', '0 %', '100 %')
    """
    if is_missing(value):
        return MISSING
    percent = float(value) * 100
    if 0 < percent < 100:
        # Only a share of nobody is shown as 0 %, only one of everybody as 100 %.
        decimals = next((more for more in range(decimals, 6) if 0 < round(percent, more) < 100), decimals)
    return f"{number(percent, decimals)} %"


def share_interval(lower: Any, upper: Any, decimals: int = 0) -> str:
    """Show the limits of a share in percent.

    Examples
    --------
    >>> share_interval(0.2, 0.35)
    '20 to 35 %'
    """
    if is_missing(lower) or is_missing(upper):
        return MISSING
    return f"{number(float(lower) * 100, decimals)} to {number(float(upper) * 100, decimals)} %"


def points(value: Any, decimals: int = 0) -> str:
    """Show a difference of two shares in percentage points.

    Examples
    --------
    >>> points(0.054), points(None)
    ('+5', '–')
    """
    return MISSING if is_missing(value) else signed(float(value) * 100, decimals)


def points_interval(lower: Any, upper: Any, decimals: int = 0) -> str:
    """Show the limits of a difference of two shares in percentage points; one near zero so that it is not taken for zero.

    Examples
    --------
    >>> points_interval(-0.05, 0.35), points_interval(-0.8124, -0.0003)
    ('−5 to +35', '−81 to −0.03')
    """
    if is_missing(lower) or is_missing(upper):
        return MISSING
    return " to ".join(points(limit, off_zero(100 * float(limit), decimals)) for limit in (lower, upper))


def share_range(values: list[Any]) -> str:
    """Show the lowest and the highest of some shares.

    Examples
    --------
    >>> share_range([0.25, 0.301, 0.27]), share_range([0.25, float("nan")]), share_range([])
    ('25 to 30 %', '25 %', '–')
    """
    known = [float(value) for value in values if not is_missing(value)]
    if not known:
        return MISSING
    low, high = share(min(known)), share(max(known))
    return low if low == high else f"{low.removesuffix(' %')} to {high}"


def fraction(numerator: Any, denominator: Any) -> str:
    """Show a numerator with its denominator.

    Examples
    --------
    >>> fraction(3, 20)
    '3/20'
    """
    return f"{count(numerator)}/{count(denominator)}"


def p_value(value: Any) -> str:
    """Show a p-value with three decimals.

    Examples
    --------
    >>> p_value(0.0312), p_value(0.00002)
    ('0.031', '<0.001')
    """
    if is_missing(value):
        return MISSING
    return "<0.001" if float(value) < 0.001 else number(value, 3)


def week(value: Any) -> str:
    """Show a week: whole ones without decimals.

    Examples
    --------
    >>> week(26.0), week(1.5), week(-1)
    ('26', '1.5', '−1')
    """
    if is_missing(value):
        return MISSING
    exact = float(value)
    return number(exact, 0 if exact == int(exact) else 1)


def moment(value: Any) -> str:
    """Show a time with its unit: a day where it is a whole one and the week is not.

    Examples
    --------
    >>> moment(26.0), moment(10 / 7), moment(-1.0)
    ('week 26', 'day 10', 'week −1')
    """
    if is_missing(value):
        return f"week {MISSING}"
    unit, _, exact = time_in_words(float(value)).partition(" ")
    return f"{unit} {week(float(exact))}"


def week_or_day(value: Any) -> str:
    """Show a time below the head of weeks: the number of a week, and a day by its name.

    Examples
    --------
    >>> week_or_day(26.0), week_or_day(10 / 7), week_or_day(1.5)
    ('26', 'day 10', '1.5')
    """
    return moment(value).removeprefix("week ")


def time_span(first: Any, last: Any) -> str:
    """Show the first and the last time of a span.

    Examples
    --------
    >>> time_span(0.0, 26.0), time_span(0.0, 10 / 7)
    ('weeks 0 to 26', 'week 0 to day 10')
    """
    ends = moment(first), moment(last)
    if all(end.startswith("week ") for end in ends):
        return f"weeks {week(first)} to {week(last)}"
    return " to ".join(ends)


def level_in_words(level: float) -> str:
    """Show a confidence level.

    Examples
    --------
    >>> level_in_words(0.95), level_in_words(0.999), level_in_words(1 - 0.05 / 3)
    ('95 %', '99.9 %', '98.33 %')
    """
    percent = round(level * 100, 2 if level < 0.9999 else 6)
    return f"{percent:g} %"


def plural(n: Any, noun: str, several: str | None = None) -> str:
    """Show a count with its noun.

    Examples
    --------
    >>> plural(1, "patient"), plural(2, "patient"), plural(3, "difficulty", "difficulties")
    ('1 patient', '2 patients', '3 difficulties')
    """
    return f"{count(n)} {form(n, noun, several)}"


def listed(words: list[str] | tuple[str, ...], last: str = "and") -> str:
    """Join words the way a sentence does.

    Examples
    --------
    >>> listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c"], "or")
    ('a', 'a and b', 'a, b or c')
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def centile(value: Any) -> str:
    """Show a place among others, 0 to 100; beyond the first or the last hundredth no number is claimed.

    Examples
    --------
    >>> centile(42.3), centile(0.2), centile(99.4), centile(None)
    ('42nd', 'under 1st', 'over 99th', '–')
    """
    if is_missing(value):
        return MISSING
    if value < 1:
        return "under 1st"
    if value > 99:
        return "over 99th"
    whole = round(value)
    ending = "th" if whole // 10 == 1 else {1: "st", 2: "nd", 3: "rd"}.get(whole % 10, "th")
    return f"{whole}{ending}"


def decimals_apart(one: Any, other: Any, decimals: int) -> int:
    """Give the decimals with which two numbers that differ are shown as different: those given, or as many more.

    Examples
    --------
    >>> decimals_apart(82.96, 83.2, 0), decimals_apart(82.96, 82.98, 0), decimals_apart(82.0, 90.0, 0)
    (1, 2, 0)
    """
    more = range(decimals, decimals + 4)
    return next((place for place in more if number(one, place) != number(other, place)), decimals)


def decimals_for(values: Sequence[float], most: int = 3) -> int:
    """Return how many decimals tell apart values of this size: about three figures.

    Examples
    --------
    >>> decimals_for([0.12, 1.5]), decimals_for([12.0, 135.0]), decimals_for([])
    (2, 0, 1)
    """
    sizes = [abs(float(value)) for value in values if not is_missing(value) and math.isfinite(float(value))]
    largest = max(sizes, default=0.0)
    if largest == 0:
        return 1
    return min(max(2 - math.floor(math.log10(largest)), 0), most)


def shown_decimals(measure: Measure) -> int:
    """Return the decimals for means of a measure: one more than its values have, about three figures in all.

    Examples
    --------
    >>> from analysis.cohort.catalogue import load_catalogue
    >>> known = load_catalogue()
    >>> [shown_decimals(known[name]) for name in ("quadriceps_torque", "pain", "knee_flexion", "koos_pain")]
    [2, 2, 1, 1]
    """
    span = measure.highest - measure.lowest
    most = 1 if math.isfinite(span) and span >= 50 else 2
    return min(measure.decimals + 1, most)


def in_text(label: str) -> str:
    """Write a label within a sentence: in lower case where its first word is a common noun of the trade.

    Examples
    --------
    >>> in_text("Wait for surgery"), in_text("IKDC subjective knee score"), in_text("Beck inventory")
    ('wait for surgery', 'IKDC subjective knee score', 'Beck inventory')
    """
    first = label.split(" ", 1)[0].rstrip(",").lower()
    return label[:1].lower() + label[1:] if first in _COMMON else label


def capitalised(words: str) -> str:
    """Begin words with a capital letter, as a heading or a sentence does.

    Examples
    --------
    >>> capitalised("patients due"), capitalised("IKDC score")
    ('Patients due', 'IKDC score')
    """
    return words[:1].upper() + words[1:]


def is_missing(value: object) -> bool:
    """Return whether a value is None, NaN or pandas' missing value.

    Examples
    --------
    >>> is_missing(None), is_missing(float("nan")), is_missing(0)
    (True, True, False)
    """
    return value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and math.isnan(value))
