"""The claims about the difference: its verdict, and its size with the interval."""

from __future__ import annotations

from analysis.lessons.capstone.claims import Claims
from analysis.lessons.capstone.knowable import Knowable
from analysis.lessons.capstone.marks import Grade, Mark
from analysis.lessons.capstone.study import MATTERS, NEW, UNIT

#: An interval this much narrower or wider than the one of the data is remarked on (design choices). Analyses that differ a
#: little, for example without the sites, stay between them.
_NARROW, _WIDE = 0.75, 2.5
_BY_CHANCE = (
    "It is the interval that these data give, and they are unlucky: 1 of 20 such intervals misses the truth. "
    "Nothing was done wrongly."
)


def mark_verdict(claims: Claims, truth: float, known: Knowable) -> Mark:
    """Mark what is said of the difference.

    Parameters
    ----------
    claims : Claims
        Of the report.
    truth : float
        True difference, new protocol minus reference, degrees.
    known : Knowable
        What the mended data give.

    Examples
    --------
    >>> known = Knowable(2.0, -1.0, 5.5, {}, {}, 0)
    >>> mark_verdict(Claims(verdict="no difference shown"), 3.0, known).grade
    'right'
    >>> mark_verdict(Claims(verdict="a difference", gained_more=NEW), 3.0, known).grade
    'right but too strong'
    """
    name = "What the data say"
    if claims.verdict is None:
        return Mark(name, "-", "missed", f"The data say: {known.verdict} ({_interval(known)}).")
    said = claims.verdict
    if said.startswith("no"):
        return Mark(name, said, *_no_difference(said, truth, known))
    if claims.gained_more is None:
        return Mark(name, said, "missed", f"The report does not say which protocol gained more. {_true(truth)}")
    side = 1.0 if claims.gained_more == NEW else -1.0
    return Mark(name, f"{said}; {claims.gained_more} gained more", *_difference(said, side, truth, known))


def mark_estimate(claims: Claims, truth: float, known: Knowable) -> Mark:
    """Mark the size of the difference and its interval.

    Examples
    --------
    >>> known = Knowable(4.0, 1.0, 7.0, {}, {}, 0)
    >>> mark_estimate(Claims(estimate=4.1, interval=(1.2, 7.0)), 3.0, known).grade
    'right'
    >>> mark_estimate(Claims(estimate=4.1), 3.0, known).grade
    'right but too strong'
    """
    name = "How large the difference is"
    if claims.estimate is None:
        return Mark(name, "-", "missed", f"The data give {known.estimate:+.1f} {UNIT} ({_interval(known)}).")
    said = f"{claims.estimate:+.1f} {UNIT}"
    data = f"The data give {known.estimate:+.1f} {UNIT} ({_interval(known)}). {_true(truth)}"
    far = not known.lower <= claims.estimate <= known.upper
    if claims.interval is None:
        if far:
            return Mark(name, said, "wrong", data)
        return Mark(name, said, "right but too strong", f"A number without its interval says too much. {data}")
    low, high = claims.interval
    said = f"{said}, {low:.1f} to {high:.1f}"
    ratio = (high - low) / (known.upper - known.lower)
    if far:
        return Mark(name, said, "wrong", data)
    if not low <= truth <= high:
        unlucky = not known.lower <= truth <= known.upper
        return Mark(name, said, "wrong", f"{data} {_BY_CHANCE if unlucky else 'Your interval misses it.'}")
    if ratio < _NARROW:
        return Mark(name, said, "right but too strong", f"The interval is narrower than these data allow. {data}")
    if ratio > _WIDE:
        return Mark(name, said, "missed", f"The interval is so wide that it says little. {data}")
    return Mark(name, said, "right", f"{_true(truth)} The interval holds it.")


def _no_difference(said: str, truth: float, known: Knowable) -> tuple[Grade, str]:
    data = _data(truth, known)
    if said == "no difference shown":
        if known.shows_a_difference and truth != 0:
            return "missed", f"The data show a difference. {data}"
        return "right", data
    small = max(abs(known.lower), abs(known.upper)) < MATTERS
    if abs(truth) >= MATTERS:
        return "wrong", f"{data} {_BY_CHANCE if small else f'{MATTERS:g} {UNIT} or more matters.'}"
    if not small:
        return "right but too strong", f"The data do not rule out {MATTERS:g} {UNIT}. {data}"
    return "right", f"The whole interval lies below {MATTERS:g} {UNIT} either way. {data}"


def _difference(said: str, side: float, truth: float, known: Knowable) -> tuple[Grade, str]:
    data = _data(truth, known)
    nearest = known.lower if side > 0 else -known.upper
    carried = nearest > 0 if said == "a difference" else nearest >= MATTERS
    unlucky = f"{data} {_BY_CHANCE}" if carried else data
    if truth * side <= 0:
        return "wrong", unlucky
    if said == "a difference":
        return ("right", data) if carried else ("right but too strong", f"The data cannot show it. {data}")
    if abs(truth) < MATTERS:
        return "right but too strong", f"The difference is real, but smaller than {MATTERS:g} {UNIT}. {unlucky}"
    if not carried:
        why = f"The interval reaches below {MATTERS:g} {UNIT}, so the data leave it open. {data}"
        return "right but too strong", why
    return "right", data


def _data(truth: float, known: Knowable) -> str:
    return f"The data give a 95 % interval of {known.lower:.1f} to {known.upper:.1f}. {_true(truth)}"


def _interval(known: Knowable) -> str:
    return f"95 % interval {known.lower:.1f} to {known.upper:.1f}"


def _true(truth: float) -> str:
    if truth == 0:
        return "In truth the protocols do not differ."
    return f"The true difference is {truth:+.1f} {UNIT}."
