"""What a column is known to hold, so that it may stay without anybody having permitted it: header and every cell must fit."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any, Literal

import pandas as pd

from analysis.cohort.columns import read_numbers
from analysis.foreign_text import shape

Holds = Literal["numbers", "labels", "yes or no", "nothing"]

#: Cells that say that there is no value.
MISSING_MARKS = frozenset({
    "", "-", "--", ".", "?", "/", "n/a", "na", "n.a.", "nan", "nd", "n/d", "none", "null", "missing", "not done", "not recorded",
    "not known", "not assessed", "not available", "not applicable", "refused", "unknown", "k.a.", "k. a.", "nicht erhoben", "s/d", "nc",
})  # fmt: skip
_YES_NO = frozenset({"yes", "no", "y", "n", "ja", "nein", "j", "oui", "non", "si", "sí", "true", "false", "wahr", "falsch", "0",
                     "1", "0.0", "1.0", "x"})  # fmt: skip
#: A number as it is written: a bound before it, a sign, a decimal point or comma, a unit of one word behind it.
_WRITTEN = r"[<>≤≥]?\s*([+-]?(?:0|[1-9]\d*)?(?:[.,]\d+)?)\s*(?:%|°|nm|n·m|kg|cm|mm|deg|ma|min)?"
#: A column of labels has at most this many of them (design choice).
MOST_LABELS = 30
#: The longest label, in words (design choice).
_LONGEST_LABEL = 8
#: From this many cells on, whole numbers that are all different and without gaps count the patients (design choice).
_FEWEST_COUNTED = 10
_YEARS_IN = {"months": 12.0, "weeks": 52.1775, "days": 365.2425, "years": 1.0}


@dataclass(frozen=True)
class KnownKind:
    """One kind of harmless column: which headers say it, and what its cells may be."""

    name: str
    phrases: tuple[frozenset[str], ...]
    more: frozenset[str]
    range: tuple[float, float] | None = None
    labels: frozenset[str] = field(default_factory=frozenset)
    bands: bool = False
    time: bool = False
    age: bool = False
    site: bool = False

    @property
    def words(self) -> frozenset[str]:
        """Every word that a header of the kind may hold besides those of all headers."""
        return self.more.union(*self.phrases)


@dataclass(frozen=True)
class Known:
    """What a column is known to hold: the kind, and in which form its cells hold it."""

    kind: KnownKind
    holds: Holds


def words_of(text: str) -> list[str]:
    """Cut a header or a label into words: lower case, without accents, digits apart from letters.

    Examples
    --------
    >>> words_of("Quad op (Nm) 6wk"), words_of("KörpergrößeCm")
    (['quad', 'op', 'nm', '6', 'wk'], ['korpergrosse', 'cm'])
    """
    parted = re.sub(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])", " ", unicodedata.normalize("NFKC", text).replace("N·m", "Nm"))
    plain = "".join(c for c in unicodedata.normalize("NFD", parted.casefold()) if not unicodedata.combining(c))
    return re.findall(r"[^\W\d_]+|\d+", plain)


def is_known_name(name: str) -> bool:
    """Say whether a name (of a column, a table) is made of words of the trade and at most one short number.

    Examples
    --------
    >>> is_known_name("Quad op (Nm) 6wk"), is_known_name("Visit Dr Amberg"), is_known_name("visit 12.03.")
    (True, False, False)
    """
    words = words_of(name)
    return bool(words) and _few_numbers(name, words) and not (set(words) - _every_word() - set(_digits(words)))


def header_kind(name: str) -> KnownKind | None:
    """Give the kind that the name of a column says; None where it says none, or holds a word that is not known.

    Examples
    --------
    >>> header_kind("quad_torque_involved").name, header_kind("torque_device"), header_kind("koos_comment")
    ('strength', None, None)
    """
    words = words_of(name)
    if not _few_numbers(name, words):
        return None
    said = frozenset(words) - set(_digits(words))
    best: KnownKind | None = None
    most = (0, 0)
    for kind in known_kinds():
        if said - kind.words - _headers():
            continue
        fitting = [phrase for phrase in kind.phrases if phrase <= said]
        if fitting and (found := (len((kind.words - _headers()) & said), max(map(len, fitting)))) > most:
            best, most = kind, found
    return best


def known_as(values: pd.Series, name: str) -> Known | None:
    """Say what a column is known to hold; None where its name does not say it, or one cell does not fit.

    ``values`` are cells of any type. Whole numbers that only count the patients (1, 2, 3, ...) are not known to be
    anything.

    Examples
    --------
    >>> known_as(pd.Series([1.2, 1.9]), "quad_torque_involved").kind.name
    'strength'
    >>> known_as(pd.Series(["left", "right"]), "side").holds
    'labels'
    >>> known_as(pd.Series(["left", "Dr Amberg"]), "side") is None
    True
    """
    kind = header_kind(name)
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return None
    distinct = [str(value).strip() for value in values.dropna().unique()]
    cells = [text for text in distinct if text.casefold() not in MISSING_MARKS]
    if not cells:
        return Known(kind, "nothing") if kind is not None else None
    if {text.casefold() for text in cells} <= _YES_NO and is_known_name(name):
        return Known(kind or _YES_NO_KIND, "yes or no")
    if kind is None:
        return None
    if kind.site:
        return Known(kind, "labels") if set(words_of(name)) <= kind.words else None
    numbers = numbers_written(cells)
    if numbers is not None:
        fits = kind.range is not None and bool(numbers.between(*_range(kind, name)).all())
        return Known(kind, "numbers") if fits and not counts_patients(values) else None
    return Known(kind, "labels") if len(cells) <= MOST_LABELS and all(_label_fits(one, kind) for one in cells) else None


def numbers_written(cells: list[str]) -> pd.Series | None:
    """Give texts as numbers, with bounds (<20), percent signs and decimal commas; None where one is no number."""
    parts = [re.fullmatch(_WRITTEN, unicodedata.normalize("NFKC", cell), re.IGNORECASE) for cell in cells]
    if not all(part is not None and part[1] not in ("", "+", "-") for part in parts):
        return None
    numbers, bad = read_numbers(pd.Series([part[1] for part in parts if part is not None], dtype="str"))
    return None if len(bad) else numbers


def shown_cell(text: str) -> str:
    """Give a cell as a message may show it: a number of up to six digits or words of the trade, else its shape alone.

    Examples
    --------
    >>> shown_cell("140.5"), shown_cell("Left knee"), shown_cell("J. Amberg, 12-04")
    ('140.5', 'Left knee', 'A. Aaaaaa, 99-99')
    """
    if text.strip().casefold() in MISSING_MARKS or re.fullmatch(
        r"\s*[<>]?\s*[+-]?\d{0,6}(?:[.,]\d+)?(?:e[+-]?\d+)?\s*|[+-]?inf", text, re.IGNORECASE | re.ASCII
    ):
        return text
    words = words_of(text)
    letters = [word for word in words if not word.isdigit()]
    known = letters and not set(letters) - _every_word() and sum(len(word) == 1 for word in letters) <= 1
    return (
        text
        if known and len(words) <= _LONGEST_LABEL and all(len(word) <= 3 for word in _digits(words))
        else shape(text)
    )


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


@cache
def known_kinds() -> tuple[KnownKind, ...]:
    """Give every kind, in the order of the file."""
    kinds = []
    for name, block in _data()["kinds"].items():
        phrases = tuple(frozenset(phrase.split()) for phrase in block["words"])
        low_high = block.get("range")
        kinds.append(KnownKind(
            name, phrases, frozenset(block.get("more", ())), None if low_high is None else (low_high[0], low_high[1]),
            frozenset(block.get("labels", ())), block.get("bands", False), block.get("time", False), block.get("age", False),
            block.get("site", False)))  # fmt: skip
    return tuple(kinds)


_YES_NO_KIND = KnownKind("a yes or no", (), frozenset())


@cache
def _data() -> dict[str, Any]:
    text = resources.files("analysis.cohort.recognition").joinpath("known_columns.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def _headers() -> frozenset[str]:
    return frozenset(_data()["headers"]["words"])


@cache
def _labels() -> frozenset[str]:
    return frozenset(_data()["labels"]["words"])


@cache
def _every_word() -> frozenset[str]:
    return _headers().union(_labels(), *(kind.words for kind in known_kinds()))


def _digits(words: list[str]) -> list[str]:
    return [word for word in words if word.isdigit()]


def _few_numbers(name: str, words: list[str]) -> bool:
    """Say whether a name has at most one number that stands alone, and none of more than three digits."""
    numbers = _digits(words)
    alone = re.findall(r"(?<![^\W_])\d+(?![^\W_])", unicodedata.normalize("NFKC", name))
    return len(alone) <= 1 and len(numbers) <= 3 and all(len(number) <= 3 for number in numbers)


def _range(kind: KnownKind, name: str) -> tuple[float, float]:
    low, high = kind.range or (0.0, 0.0)
    return (low, 130.0 * (age_unit(name) or 1.0)) if kind.age else (low, high)


def _label_fits(label: str, kind: KnownKind) -> bool:
    words = words_of(label)
    numbers = _digits(words)
    letters = [word for word in words if not word.isdigit()]
    if not words or len(words) > _LONGEST_LABEL or len(numbers) > (2 if kind.bands else 1):
        return False
    if any(len(number) > 3 for number in numbers) or re.search(r"\d\s*[/.]\s*\d", label):
        return False
    if kind.age and any(int(number) > 89 for number in numbers):
        return False
    single = [word for word in letters if len(word) == 1]
    return len(single) <= 1 and not (set(letters) - _labels() - kind.labels - kind.words)
