"""Shares with their denominators: Wilson intervals, Newcombe differences, number needed to treat as Altman wrote it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from analysis.errors import ModelError
from analysis.result import Result

WILSON = "Wilson score"
NEWCOMBE = "Newcombe hybrid score (method 10)"

Kind = Literal["benefit", "harm"]
#: A difference of shares smaller than this is none, and a number so much above a whole one (relatively) is that one:
#: rounding of floating point.
_NOTHING, _ROUNDING = 1e-12, 1e-9


def check_level(level: float) -> None:
    """Refuse a confidence level outside 0 to 1.

    Raises
    ------
    ModelError
        The level is not between 0 and 1.

    Examples
    --------
    >>> check_level(0.95)
    """
    if not 0 < level < 1:
        raise ModelError(
            f"The confidence level {level:g} is not between 0 and 1.",
            what_to_do="Give it as a share, for example 0.95 for 95 %.",
        )


def check_counts(*counts: ArrayLike) -> None:
    """Refuse numbers that are no counts of patients: missing, infinite or below 0.

    Raises
    ------
    ModelError
        One of them is.

    Examples
    --------
    >>> check_counts([3, 0], 5)
    """
    for one in counts:
        values = np.atleast_1d(np.asarray(one, dtype=float))
        wrong = values[~np.isfinite(values) | (values < 0)]
        if wrong.size:
            raise ModelError(
                "These are no counts of patients.",
                where=f"{wrong[0]:g} among {values.size} counts",
                what_to_do="Give whole numbers from 0 on; leave out a group whose count is not known.",
            )


def share_interval(count: ArrayLike, n: ArrayLike, *, level: float = 0.95) -> pd.DataFrame:
    """Give shares with Wilson score intervals; an empty denominator gives NaN.

    Parameters
    ----------
    count, n : array_like of int
        Patients counted, and the patients they are counted among.
    level : float
        Confidence level.

    Returns
    -------
    pandas.DataFrame
        Columns share, lower, upper, level, method; shares between 0 and 1.

    Notes
    -----
    Wilson, J Am Stat Assoc 1927;22:209, recommended by Newcombe, Stat Med 1998;17:857; computed by statsmodels.

    Examples
    --------
    >>> share_interval([81, 0, 0], [263, 20, 0])[["share", "lower", "upper"]].round(4)
       share   lower   upper
    0  0.308  0.2553  0.3662
    1  0.000  0.0000  0.1611
    2    NaN     NaN     NaN
    """
    from statsmodels.stats.proportion import proportion_confint

    check_level(level)
    counted, among = _filled(count, n)
    lower, upper = proportion_confint(counted, among, alpha=1 - level, method="wilson")
    share = counted / among
    table = pd.DataFrame({"share": share, "lower": _between(lower, 0.0, share), "upper": _between(upper, share, 1.0)})
    return table.assign(level=level, method=WILSON)


def share_difference(
    count: ArrayLike, n: ArrayLike, reference_count: ArrayLike, reference_n: ArrayLike, *, level: float = 0.95
) -> pd.DataFrame:
    """Give differences of two independent shares with Newcombe's hybrid score interval.

    Parameters
    ----------
    count, n, reference_count, reference_n : array_like of int
        Counts and denominators; the difference is the first share minus the reference's.
    level : float
        Confidence level.

    Returns
    -------
    pandas.DataFrame
        Columns difference, lower, upper, level, method; NaN where either denominator is empty.

    Notes
    -----
    Newcombe, Stat Med 1998;17:873, method 10 (no continuity correction); computed by statsmodels.

    Examples
    --------
    >>> share_difference(56, 70, 48, 80)[["difference", "lower", "upper"]].round(4)
       difference   lower   upper
    0         0.2  0.0524  0.3339
    """
    from statsmodels.stats.proportion import confint_proportions_2indep

    check_level(level)
    counted, among = _filled(count, n)
    counted_reference, among_reference = _filled(reference_count, reference_n)
    lower, upper = confint_proportions_2indep(
        counted, among, counted_reference, among_reference, method="newcomb", compare="diff", alpha=1 - level
    )
    gap = counted / among - counted_reference / among_reference
    table = pd.DataFrame({"difference": gap, "lower": _between(lower, -1.0, gap), "upper": _between(upper, gap, 1.0)})
    return table.assign(level=level, method=NEWCOMBE)


@dataclass(frozen=True, repr=False)
class NumberNeeded(Result):
    """A number needed to treat with its limits.

    Attributes
    ----------
    number : float
        Patients to treat for one more responder (benefit) or one fewer (harm); infinite at no difference.
    kind : {"benefit", "harm"}
        Which of the two.
    first, last : float
        The limits, in the order in which they are read.
    first_kind, last_kind : {"benefit", "harm"}
        What each limit counts.
    through_infinity : bool
        Whether no difference lies inside the interval, so that it runs from benefit through infinity to harm. Where a
        limit is no difference, the last one is infinite.
    words : str
        The whole in words.
    """

    number: float
    kind: Kind
    first: float
    first_kind: Kind
    last: float
    last_kind: Kind
    through_infinity: bool
    words: str

    def _headline(self) -> str:
        return f"{self.words[:1].upper()}{self.words[1:]}"


def number_needed_to_treat(difference: float, lower: float, upper: float, *, level: float = 0.95) -> NumberNeeded:
    """Turn a difference of responder shares into a number needed to treat.

    The limits of the difference are inverted. Where they hold 0 the interval is not one range of numbers: it runs
    from benefit through infinity to harm, and is written so.

    Parameters
    ----------
    difference, lower, upper : float
        Difference of shares (protocol minus reference, a positive one is a benefit) and its limits, -1 to 1.
    level : float
        The confidence level of the limits, for the words.

    Returns
    -------
    NumberNeeded
        The number, its limits and the words; numbers NaN where the difference is missing.

    Raises
    ------
    ModelError
        The difference or a limit is beyond -1 to 1.

    Notes
    -----
    Altman, BMJ 1998;317:1309. In the words numbers from 10 on are rounded up to whole patients (common practice, no
    source); those below keep a decimal.

    Examples
    --------
    >>> number_needed_to_treat(0.10, 0.04, 0.16).words
    'number needed to treat for one to benefit 10 (95 % interval 6.2 to 25)'
    >>> number_needed_to_treat(0.10, -0.05, 0.25).words
    'number needed to treat for one to benefit 10 (95 % interval benefit 4.0 to infinity to harm 20)'
    """
    if not (math.isfinite(difference) and math.isfinite(lower) and math.isfinite(upper)):
        return NumberNeeded(
            math.nan, "benefit", math.nan, "benefit", math.nan, "benefit", False, "number needed to treat: not known"
        )
    if max(abs(difference), abs(lower), abs(upper)) > 1 + _NOTHING:
        raise ModelError(
            "A difference of shares or its limits lie beyond -1 to 1.",
            where=f"difference {difference:g}, limits {lower:g} to {upper:g}",
            what_to_do="Give shares, not per cent, and limits by a method that keeps them within what is possible.",
        )
    difference, lower, upper = (0.0 if abs(one) < _NOTHING else one for one in (difference, lower, upper))
    kind: Kind = "benefit" if difference >= 0 else "harm"
    number = _inverse(difference)
    through = lower < 0 < upper
    if through:
        first, first_kind, last, last_kind = _inverse(upper), "benefit", _inverse(lower), "harm"
    elif lower >= 0:
        first, first_kind, last, last_kind = _inverse(upper), "benefit", _inverse(lower), "benefit"
    else:
        first, first_kind, last, last_kind = _inverse(lower), "harm", _inverse(upper), "harm"
    limits = f"{_in_words(first)} to {_in_words(last)}"
    if through:
        limits = f"{first_kind} {_in_words(first)} to infinity to {last_kind} {_in_words(last)}"
    elif math.isinf(last):
        limits = f"{first_kind} {limits}" if math.isfinite(first) else "infinite throughout"
    head = (
        f"number needed to treat for one {'to benefit' if kind == 'benefit' else 'to be harmed'} {_in_words(number)}"
        if math.isfinite(number)
        else "number needed to treat infinite, no difference"
    )
    words = f"{head} ({100 * level:g} % interval {limits})"
    return NumberNeeded(number, kind, first, first_kind, last, last_kind, through, words)  # type: ignore[arg-type]


def add_number_needed(differences: pd.DataFrame) -> pd.DataFrame:
    """Add the number needed to treat to a table of differences.

    Parameters
    ----------
    differences : pandas.DataFrame
        With columns difference, lower, upper, level.

    Returns
    -------
    pandas.DataFrame
        The table with number_needed_to_treat, number_needed_kind ("benefit" or "harm"), number_needed_first,
        number_needed_first_kind, number_needed_last, number_needed_last_kind, number_needed_through_infinity and
        number_needed_in_words.

    Examples
    --------
    >>> table = share_difference(56, 70, 48, 80)
    >>> add_number_needed(table)["number_needed_to_treat"].round(1).tolist()
    [5.0]
    """
    columns = [differences[name].astype(float).tolist() for name in ("difference", "lower", "upper", "level")]
    found = [number_needed_to_treat(*limits, level=level) for *limits, level in zip(*columns, strict=True)]
    types = {"number": "float64", "kind": "str", "first": "float64", "first_kind": "str", "last": "float64",
             "last_kind": "str", "through_infinity": "bool", "words": "str"}  # fmt: skip
    table = pd.DataFrame(found, index=differences.index, columns=list(types)).astype(types)
    return differences.join(
        table.rename(columns={"number": "to_treat", "words": "in_words"}).add_prefix("number_needed_")
    )


def compare_shares(table: pd.DataFrame, reference: str, *, level: float) -> pd.DataFrame:
    """Compare the shares of every protocol with the reference's.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a protocol, with columns protocol, responders, n.
    reference : str
        The protocol that the others are compared with.
    level : float
        Confidence level.

    Returns
    -------
    pandas.DataFrame
        One row a protocol other than the reference: protocol, reference, n, reference_n, difference, lower, upper,
        level, method.

    Examples
    --------
    >>> counts = pd.DataFrame({"protocol": ["a", "b"], "responders": [48, 56], "n": [80, 70]})
    >>> compare_shares(counts, "a", level=0.95)["difference"].round(3).tolist()
    [0.2]
    """
    rows = table.loc[table["protocol"] != reference, ["protocol", "responders", "n"]].reset_index(drop=True)
    base = table.set_index("protocol").loc[reference]
    of_base = (np.full(len(rows), base["responders"]), np.full(len(rows), base["n"]))
    compared = share_difference(rows["responders"], rows["n"], *of_base, level=level)
    head = pd.DataFrame({"protocol": _text(rows["protocol"]), "reference": _text(reference for _ in rows["n"])})
    return head.assign(n=rows["n"], reference_n=of_base[1]).join(compared)


def _filled(count: ArrayLike, n: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Both as float arrays, NaN where the denominator is empty."""
    counted, among = np.atleast_1d(np.asarray(count, float)), np.atleast_1d(np.asarray(n, float))
    empty = ~(among > 0)
    return np.where(empty, np.nan, counted), np.where(empty, np.nan, among)


def _between(limit: ArrayLike, least: ArrayLike, most: ArrayLike) -> NDArray[np.float64]:
    """Take off what rounding adds: limits of nobody and everybody are 0 and 1, and none passes its estimate."""
    found = np.clip(np.asarray(limit, dtype=float), least, most)
    ends = np.round(found) + 0.0
    return np.where(np.abs(found - ends) < _NOTHING, ends, found)


def _inverse(share: float) -> float:
    return math.inf if share == 0 else max(1 / abs(share), 1.0)


def _in_words(number: float) -> str:
    """Write whole patients, rounded up, from 10 on, and a decimal below: 445.8 would claim a tenth of a patient."""
    if math.isinf(number):
        return "infinity"
    return f"{math.ceil(number * (1 - _ROUNDING)):,}" if number >= 9.95 else f"{number:.1f}"


def _text(values: object) -> pd.Series:
    return pd.Series(list(values), dtype="str")  # type: ignore[call-overload]
