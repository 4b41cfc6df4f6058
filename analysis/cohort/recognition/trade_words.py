"""The words of the trade: of what headers and labels of harmless columns are made, and the kinds of such columns."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import dataclass, field
from functools import cache, cached_property
from importlib import resources
from typing import Any

from analysis.cohort.recognition.identifier_rules import GIVEN_NAMES, OPAQUE_WORDS
from analysis.foreign_text import shape

#: Cells that say that there is no value.
MISSING_MARKS = frozenset({
    "", "-", "--", ".", "?", "/", "n/a", "na", "n.a.", "nan", "nd", "n/d", "none", "null", "missing", "unk", "unk.", "unbekannt",
    "inconnu", "desconocido", "not done", "not recorded", "not known", "not assessed", "not available", "not applicable",
    "refused", "unknown", "k.a.", "k. a.", "nicht erhoben", "s/d", "nc",
})  # fmt: skip
_NUMBER = re.compile(
    r"\s*(?:[<>]=?|[≤≥])?\s*[+-]?\d{0,6}(?:[.,]\d+)?(?:e[+-]?\d+)?\s*|[+-]?inf", re.IGNORECASE | re.ASCII
)
#: The identifiers that de-identification makes; and the longest number of another that may be shown (design choice).
_MADE_HERE, _LONGEST_NUMBER = re.compile(r"P[0-9a-f]{15}"), 6
#: Grades written as signs: +, ++, 1+, 2-.
_SIGNS = re.compile(r"\d?[+-]{1,4}")
#: Latin letters, digits, and the signs that names of columns and labels have.
_PLAIN = re.compile(r"[A-Za-z\u00c0-\u024f0-9 _\-/().,:;+&'%<>\u2264\u2265\u00b0\u00b5\u03bc\u00b7\u2013?#=*|\[\]]*")
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
    angles: bool = False
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
    parted = re.sub(
        r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])", " ", unicodedata.normalize("NFKC", text).replace("N·m", "Nm").replace("mA", "ma")
    )
    plain = "".join(c for c in unicodedata.normalize("NFD", parted.casefold()) if not unicodedata.combining(c))
    return re.findall(r"[^\W\d_]+|\d+", plain)


def is_known_name(name: str) -> bool:
    """Say whether a name (of a column, a table) is made of words of the trade, not of names alone, and at most two numbers.

    Examples
    --------
    >>> is_known_name("Quad op (Nm) 6wk"), is_known_name("Visit Dr Amberg"), is_known_name("visit 12.03."), is_known_name("Max")
    (True, False, False, False)
    """
    words = words_of(name)
    letters = set(words) - set(numbers_among(words))
    of_the_trade = not letters - every_word() and bool(letters - word_list("names_too"))
    return of_the_trade and has_few_numbers(words) and plain_letters(name)


def shown_cell(text: str, digits: int = 6) -> str:
    """Give a cell as a message may show it: a number of up to so many digits or words of the trade, else its shape alone.

    Examples
    --------
    >>> shown_cell("140.5"), shown_cell("Left knee"), shown_cell("J. Amberg, 12-04")
    ('140.5', 'Left knee', 'A. Aaaaaa, 99-99')
    """
    if text.strip().casefold() in MISSING_MARKS:
        return text
    if _NUMBER.fullmatch(text):
        return text if sum(map(str.isdigit, text)) <= digits or "." in text or "," in text else shape(text)
    words = words_of(text)
    letters = [word for word in words if not word.isdigit()]
    known = set(letters) - word_list("names_too") and not set(letters) - every_word() and has_few_numbers(words)
    return (
        text if known and sum(len(word) == 1 for word in letters) <= 1 and len(words) <= _LONGEST_LABEL else shape(text)
    )


def shown_identifier(text: str) -> str:
    """Give a patient's identifier as a message may show it: its shape where it holds a word that could be a name.

    Examples
    --------
    >>> [shown_identifier(one) for one in ("P001", "site 2-014", "1001", "Pd650651edf0a519", "Amberg 12", "Ann12")]
    ['P001', 'site 2-014', '1001', 'Pd650651edf0a519', 'Aaaaaa 99', 'Aaa99']
    """
    if _MADE_HERE.fullmatch(text):
        return text
    runs = re.findall(r"[^\W\d_]+", text)
    opaque = all(
        (len(run) <= 2 or run.casefold() in OPAQUE_WORDS or (len(run) <= 4 and run.isascii() and run.isupper()))
        and run.casefold() not in GIVEN_NAMES
        for run in runs
    )
    return text if opaque and max(map(len, re.findall(r"\d+", text)), default=0) <= _LONGEST_NUMBER else shape(text)


def label_fits(label: str, kind: KnownKind) -> bool:
    """Say whether a label is made of words of the trade, or of the kind, and of few numbers.

    Words that are names too need another beside them. Two numbers are a band of angles or ages that rises and is no day of
    a month.
    """
    words = words_of(label)
    numbers = numbers_among(words)
    letters = [word for word in words if not word.isdigit()]
    if _SIGNS.fullmatch(label.strip()):
        return True
    if not words or len(words) > _LONGEST_LABEL or not plain_letters(label) or any(_odd_number(one) for one in numbers):
        return False
    if len(numbers) > 1 and not (kind.bands and _is_band(label)):
        return False
    if any(int(number) > 89 for number in numbers) and not kind.angles:
        return False
    if (
        not letters
        and not (kind.bands and len(numbers) == 2)
        and not re.fullmatch(r"\d{1,3}\s*[+-]{0,3}", label.strip())
    ):
        return False
    single = [word for word in letters if len(word) == 1]
    fits = not set(letters) - word_list("labels") - kind.labels - kind.words
    return (
        fits
        and len(single) <= 1
        and (not letters or bool(set(letters) - word_list("names_too") - (set(single) if len(letters) > 1 else set())))
    )


def graded_label(label: str) -> bool:
    """Say whether a label is made of words of degrees and answers alone.

    Examples
    --------
    >>> graded_label("much better"), graded_label("left"), graded_label("grade 2")
    (True, False, False)
    """
    words = set(words_of(label))
    return bool(words - word_list("names_too")) and not words - word_list("graded") and plain_letters(label)


def plain_letters(text: str) -> bool:
    """Say whether a text has letters, digits and usual signs only: no symbol, no mark that nobody sees, one line."""
    return _PLAIN.fullmatch(unicodedata.normalize("NFC", text)) is not None


def _odd_number(number: str) -> bool:
    return len(number) > 3 or (len(number) > 1 and number[0] == "0")


def _is_band(label: str) -> bool:
    """Say whether two numbers in a label rise, and are not a day of a month."""
    found = re.fullmatch(r"\s*(\d{1,3})\s*(?:-|\u2013|to|bis)\s*(\d{1,3})\D*", label)
    if found is None:
        return False
    low, high = int(found[1]), int(found[2])
    date = (1 <= low <= 31 and 1 <= high <= 12) or (1 <= low <= 12 and 1 <= high <= 31)
    return low < high and not date


@cache
def known_kinds() -> tuple[KnownKind, ...]:
    """Give every kind, in the order of the file."""
    kinds = []
    for name, block in _data()["kinds"].items():
        phrases = tuple(frozenset(phrase.split()) for phrase in block["words"])
        low_high = block.get("range")
        flags = {key: bool(block.get(key, False)) for key in ("bands", "angles", "time", "age", "site", "measure")}
        kinds.append(
            KnownKind(
                name,
                phrases,
                frozenset(block.get("more", ())),
                None if low_high is None else (low_high[0], low_high[1]),
                frozenset(block.get("labels", ())),
                **flags,
            )
        )
    return tuple(kinds)


@cache
def _data() -> dict[str, Any]:
    text = resources.files("analysis.cohort.recognition").joinpath("known_columns.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def word_list(name: str) -> frozenset[str]:
    """Give one of the lists of the file: headers, labels, graded, numbering, names_too, not_a_measure."""
    return frozenset(_data()[name]["words"])


@cache
def is_note(name: str) -> bool:
    """Say whether the name of a column says that anybody wrote into it what came to mind.

    Examples
    --------
    >>> [is_note(name) for name in ("Comment", "knee_notes", "Bemerkungen", "free text", "noted pain")]
    [True, True, True, True, False]
    """
    return bool(set(words_of(name)) & word_list("notes"))


def header_words() -> frozenset[str]:
    """Give the words that any header may hold: when, which limb, which unit."""
    return word_list("headers")


@cache
def every_word() -> frozenset[str]:
    """Give all words of the trade."""
    return header_words().union(
        word_list("labels"),
        word_list("numbering"),
        word_list("graded"),
        *(kind.words | kind.labels for kind in known_kinds()),
    )


def numbers_among(words: list[str]) -> list[str]:
    """Give those of the words that are numbers."""
    return [word for word in words if word.isdigit()]


def has_few_numbers(words: list[str]) -> bool:
    """Say whether a name has at most two numbers, the one of a digit, and none of more than three or with a zero in front."""
    numbers = numbers_among(words)
    longer = [number for number in numbers if len(number) > 1]
    return len(numbers) <= 2 and len(longer) <= 1 and not any(_odd_number(number) for number in numbers)
