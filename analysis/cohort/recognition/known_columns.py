"""What a column is known to hold, so that it may stay without anybody having permitted it: header and every cell must fit."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from analysis.cohort.recognition.find_identifiers import name_rule
from analysis.cohort.recognition.trade_words import (
    MISSING_MARKS,
    KnownKind,
    has_few_numbers,
    header_words,
    known_kinds,
    label_fits,
    numbers_among,
    words_of,
    words_of_no_measure,
)

Holds = Literal["numbers", "labels", "yes or no", "nothing"]

_YES_NO = frozenset({"yes", "no", "y", "n", "ja", "nein", "j", "oui", "non", "si", "sí", "true", "false", "wahr", "falsch", "0",
                     "1", "0.0", "1.0", "x"})  # fmt: skip
_SINGLE_DIGITS = frozenset("0123456789") | {f"{digit}.0" for digit in range(10)}
#: A number as it is written: a bound before it, a sign, a decimal point or comma, a unit of one word behind it.
_WRITTEN = r"[<>≤≥]?\s*([+-]?(?:0|[1-9]\d*)?(?:[.,]\d+)?)\s*(?:%|°|nm|n·m|kg|cm|mm|deg|ma|min)?"
#: A column of labels has at most this many of them (design choice).
MOST_LABELS = 30
#: From this many cells on, whole numbers that are all different and without gaps count the patients (design choice).
_FEWEST_COUNTED = 10
_YEARS_IN = {"months": 12.0, "weeks": 52.1775, "days": 365.2425, "years": 1.0}


@dataclass(frozen=True)
class Known:
    """What a column is known to hold: the kind, and in which form its cells hold it."""

    kind: KnownKind
    holds: Holds


def header_kind(name: str) -> KnownKind | None:
    """Give the kind that the name of a column says; None where it says none, or holds a word that is not known.

    Examples
    --------
    >>> header_kind("quad_torque_involved").name, header_kind("torque_device"), header_kind("koos_comment")
    ('strength', None, None)
    """
    words = words_of(name)
    if not has_few_numbers(name, words):
        return None
    said = frozenset(words) - set(numbers_among(words))
    best: KnownKind | None = None
    most = (0, 0)
    for kind in known_kinds():
        if said - kind.words - header_words():
            continue
        fitting = [phrase for phrase in kind.phrases if phrase <= said]
        if fitting and (found := (len((kind.words - header_words()) & said), max(map(len, fitting)))) > most:
            best, most = kind, found
    return best


def measure_kind(name: str) -> KnownKind | None:
    """Give the kind of measure that a name says beside words that are not known; None where one of them says otherwise.

    Examples
    --------
    >>> measure_kind("lysholm_tot").name, measure_kind("torque_device"), measure_kind("ward 3")
    ('scores', None, None)
    """
    said = frozenset(words_of(name))
    if said & words_of_no_measure() or name_rule(name) is not None:
        return None
    fitting = [kind for kind in known_kinds() if kind.measure and any(phrase <= said for phrase in kind.phrases)]
    return max(fitting, key=lambda kind: len(kind.words & said), default=None)


def known_as(values: pd.Series, name: str) -> Known | None:
    """Say what a column is known to hold; None where nothing says it, or one cell does not fit.

    ``values`` are cells of any type. Yes and no, single digits, and labels made of words of the trade are known by their
    cells, whatever the name, unless it says something else; numbers by their name. Whole numbers that only count the
    patients (1, 2, 3, ...) are not known to be anything.

    Examples
    --------
    >>> known_as(pd.Series([1.2, 1.9]), "quad_torque_involved").kind.name
    'strength'
    >>> known_as(pd.Series(["left", "right"]), "side").holds
    'labels'
    >>> known_as(pd.Series(["left", "Dr Amberg"]), "side") is None
    True
    """
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return None
    kind = header_kind(name)
    cells = list(
        dict.fromkeys(str(cell).strip() for cell in values[values.notna() & ~is_missing_mark(values)].unique())
    )
    if not cells:
        return Known(kind, "nothing") if kind is not None else None
    if {text.casefold() for text in cells} <= _YES_NO:
        return Known(kind or _YES_NO_KIND, "yes or no")
    if kind is not None and kind.site:
        return Known(kind, "labels") if set(words_of(name)) <= kind.words else None
    numbers = numbers_written(cells)
    if numbers is None:
        return _known_labels(cells, name, kind)
    if counts_patients(values):
        return None
    said = kind or measure_kind(name)
    if said is not None and said.range is not None:
        return Known(said, "numbers") if numbers.between(*_range(said, name)).all() else None
    if _other_name(name) and set(cells) <= _SINGLE_DIGITS:
        return Known(_CODES_KIND, "labels")
    return None


def _known_labels(cells: list[str], name: str, kind: KnownKind | None) -> Known | None:
    if len(cells) > MOST_LABELS:
        return None
    if kind is not None and all(label_fits(one, kind) for one in cells):
        return Known(kind, "labels")
    fits = _other_name(name) and all(label_fits(one, _WORDS_KIND) and len(re.findall(r"\d", one)) <= 1 for one in cells)
    return Known(_WORDS_KIND, "labels") if fits else None


def _other_name(name: str) -> bool:
    """Say whether a name that says nothing known says nothing of an identifier either."""
    return not set(words_of(name)) & words_of_no_measure() and name_rule(name) is None


def numbers_written(cells: list[str]) -> pd.Series | None:
    """Give texts as numbers, with bounds (<20), percent signs and decimal commas; None where one is no number."""
    parts = [re.fullmatch(_WRITTEN, unicodedata.normalize("NFKC", cell), re.IGNORECASE) for cell in cells]
    if any(part is None or part[1] in ("", "+", "-") for part in parts):
        return None
    return pd.Series([float(part[1].replace(",", ".")) for part in parts if part is not None], dtype="float64")


def is_missing_mark(values: pd.Series) -> pd.Series:
    """Say which cells say that there is no value (n/a, not done, ...).

    Examples
    --------
    >>> is_missing_mark(pd.Series(["n/a", "12"])).tolist()
    [True, False]
    """
    if pd.api.types.is_numeric_dtype(values.dtype) or pd.api.types.is_datetime64_any_dtype(values.dtype):
        return pd.Series(data=False, index=values.index)
    return values.astype("str").str.strip().str.casefold().isin(MISSING_MARKS)


def counts_patients(values: pd.Series) -> bool:
    """Say whether whole numbers, each there once, run on without gaps or only rise from row to row: a number of the row.

    Examples
    --------
    >>> counts_patients(pd.Series(range(1, 13))), counts_patients(pd.Series([60, 62, 61] * 4))
    (True, False)
    """
    numbers = numbers_written([str(value).strip() for value in values.dropna()])
    if numbers is None or len(numbers) < _FEWEST_COUNTED or numbers.duplicated().any() or (numbers % 1).any():
        return False
    without_gaps = numbers.max() - numbers.min() + 1 == len(numbers)
    return bool(without_gaps or numbers.is_monotonic_increasing or numbers.is_monotonic_decreasing)


def age_unit(name: str) -> float | None:
    """Give how many of its units a year has, for a column whose name says that it holds an age; None for any other.

    Examples
    --------
    >>> age_unit("age_months"), age_unit("Alter"), age_unit("height") is None
    (12.0, 1.0, True)
    """
    words = set(words_of(name))
    if not words & {"age", "aged", "alter", "edad", "eta", "birth", "born", "geburt", "naissance"}:
        return None
    units = (("months", {"month", "months", "mo", "monat", "monate", "monaten", "mois", "mes", "meses"}),
             ("weeks", {"week", "weeks", "wk", "wks"}), ("days", {"day", "days", "tage"}))  # fmt: skip
    return next((_YEARS_IN[unit] for unit, some in units if words & some), 1.0)


_YES_NO_KIND = KnownKind("a yes or no", (), frozenset())
_CODES_KIND = KnownKind("single digits", (), frozenset())
_WORDS_KIND = KnownKind("words of the trade", (), frozenset())


def _range(kind: KnownKind, name: str) -> tuple[float, float]:
    low, high = kind.range or (0.0, 0.0)
    return (low, 130.0 * (age_unit(name) or 1.0)) if kind.age else (low, high)
