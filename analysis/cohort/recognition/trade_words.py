"""The words of the trade: of what headers and labels of harmless columns are made, and the kinds of such columns."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import dataclass, field
from functools import cache, cached_property
from importlib import resources
from typing import Any

from analysis.foreign_text import shape

#: Cells that say that there is no value.
MISSING_MARKS = frozenset({
    "", "-", "--", ".", "?", "/", "n/a", "na", "n.a.", "nan", "nd", "n/d", "none", "null", "missing", "not done", "not recorded",
    "not known", "not assessed", "not available", "not applicable", "refused", "unknown", "k.a.", "k. a.", "nicht erhoben", "s/d", "nc",
})  # fmt: skip
#: The longest label, in words (design choice).
_LONGEST_LABEL = 8


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
    measure: bool = False

    @cached_property
    def words(self) -> frozenset[str]:
        """Every word that a header of the kind may hold besides those of all headers."""
        return self.more.union(*self.phrases)


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
    return bool(words) and has_few_numbers(name, words) and not (set(words) - every_word() - set(numbers_among(words)))


def shown_cell(text: str) -> str:
    """Give a cell as a message may show it: a number of up to six digits or words of the trade, else its shape alone.

    Examples
    --------
    >>> shown_cell("140.5"), shown_cell("Left knee"), shown_cell("J. Amberg, 12-04")
    ('140.5', 'Left knee', 'A. Aaaaaa, 99-99')
    """
    if text.strip().casefold() in MISSING_MARKS or re.fullmatch(
        r"\s*(?:[<>]=?|[≤≥])?\s*[+-]?\d{0,6}(?:[.,]\d+)?(?:e[+-]?\d+)?\s*|[+-]?inf", text, re.IGNORECASE | re.ASCII
    ):
        return text
    words = words_of(text)
    letters = [word for word in words if not word.isdigit()]
    known = letters and not set(letters) - every_word() and sum(len(word) == 1 for word in letters) <= 1
    return (
        text
        if known and len(words) <= _LONGEST_LABEL and all(len(word) <= 3 for word in numbers_among(words))
        else shape(text)
    )


def label_fits(label: str, kind: KnownKind) -> bool:
    """Say whether a label is made of words of the trade, or of the kind, and of few numbers."""
    words = words_of(label)
    numbers = numbers_among(words)
    letters = [word for word in words if not word.isdigit()]
    if not words or len(words) > _LONGEST_LABEL or len(numbers) > (2 if kind.bands else 1):
        return False
    if any(len(number) > 3 for number in numbers) or re.search(r"\d\s*[/.]\s*\d", label):
        return False
    if kind.age and any(int(number) > 89 for number in numbers):
        return False
    single = [word for word in letters if len(word) == 1]
    return len(single) <= 1 and not (set(letters) - label_words() - kind.labels - kind.words)


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
            block.get("site", False), block.get("measure", False)))  # fmt: skip
    return tuple(kinds)


@cache
def _data() -> dict[str, Any]:
    text = resources.files("analysis.cohort.recognition").joinpath("known_columns.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def words_of_no_measure() -> frozenset[str]:
    """Give the words beside which the name of a measure says something else."""
    return frozenset(_data()["not_a_measure"]["words"])


@cache
def header_words() -> frozenset[str]:
    """Give the words that any header may hold: when, which limb, which unit."""
    return frozenset(_data()["headers"]["words"])


@cache
def label_words() -> frozenset[str]:
    """Give the words that any label may hold."""
    return frozenset(_data()["labels"]["words"])


@cache
def every_word() -> frozenset[str]:
    """Give all words of the trade."""
    return header_words().union(label_words(), *(kind.words | kind.labels for kind in known_kinds()))


def numbers_among(words: list[str]) -> list[str]:
    """Give those of the words that are numbers."""
    return [word for word in words if word.isdigit()]


def has_few_numbers(name: str, words: list[str]) -> bool:
    """Say whether a name has at most one number that stands alone, and none of more than three digits."""
    numbers = numbers_among(words)
    alone = re.findall(r"(?<![^\W_])\d+(?![^\W_])", unicodedata.normalize("NFKC", name))
    return len(alone) <= 1 and len(numbers) <= 3 and all(len(number) <= 3 for number in numbers)
