"""Names of sites, read the same everywhere: capitals, blanks and forms of characters make no site of their own."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from analysis.cohort.recognition.spellings import fold
from analysis.cohort.recognition.trade_words import every_word, word_list, words_of
from analysis.counted import counted, form
from analysis.foreign_text import shape

#: The longest part of the name of a file that stands for a site, in letters (design choice).
_LONGEST_WORD = 60
#: Words of a name that may be shown: those of the trade, and codes of so many letters; numbers of so many digits.
_LONGEST_CODE, _LONGEST_NUMBER = 2, 3
#: Words that name a kind of place and no place.
_PLACES = frozenset(
    {
        "site",
        "clinic",
        "center",
        "centre",
        "hospital",
        "zentrum",
        "klinik",
        "clinique",
        "centro",
        "standort",
        "clinica",
        "hopital",
        "ward",
    }
)


@dataclass(frozen=True)
class SiteNames:
    """Sites in one spelling each, and what was met on the way.

    ``names`` are those of the column, of the same type; ``spellings`` has the spellings of each site that had several, the one
    that stays first; ``colliding`` are pairs of sites whose names differ by signs that no name of a file can tell apart.
    """

    names: pd.Series
    spellings: tuple[tuple[str, ...], ...]
    colliding: tuple[tuple[str, str], ...]

    @property
    def joined(self) -> str:
        """Say which spellings were taken for one site; empty where none were."""
        if not self.spellings:
            return ""
        said = "; ".join(", ".join(map(shown_site, some)) for some in self.spellings)
        n = len(self.spellings)
        return f"{counted(n, 'site')} {form(n, 'stands', 'stand')} in several spellings, which count as one: {said}"

    @property
    def collision(self) -> str:
        """Say which sites cannot be told apart by the name of a file; empty where all can."""
        pairs = "; ".join(f"{shown_site(one)} and {shown_site(other)}" for one, other in self.colliding)
        return f"sites whose names differ by signs only: {pairs}" if pairs else ""


#: What to do where names of sites collide.
RENAME_SITES = "Recode one of them in the map where they are one site; where they are two, give them names that differ by a letter or a number."


def site_key(name: str) -> str:
    """Give what all spellings of one site share: capitals, blanks and forms of characters do not count.

    Examples
    --------
    >>> site_key("Clinic 01") == site_key(" clinic  01 "), site_key("Clinic 01") == site_key("Clinic 02")
    (True, False)
    """
    return fold(unicodedata.normalize("NFKC", fold(name).casefold()))


def site_file_word(name: str) -> str:
    """Give the part of the name of a file that stands for a site: letters, digits, _ and -; empty where it has none.

    Examples
    --------
    >>> site_file_word("Clinic 01 (north)")
    'Clinic_01_north'
    """
    return re.sub(r"[^\w-]+", "_", fold(name)).strip("_")[:_LONGEST_WORD]


def one_name_a_site(values: pd.Series) -> SiteNames:
    """Write every site of a column of text or labels in its most frequent spelling, of equally frequent ones the first.

    Examples
    --------
    >>> found = one_name_a_site(pd.Series(["Clinic 01", "clinic 01", "Clinic 01 ", "Clinic 02", "Clinic_02"]))
    >>> found.names.tolist()
    ['Clinic 01', 'Clinic 01', 'Clinic 01', 'Clinic 02', 'Clinic_02']
    >>> found.spellings, found.colliding
    ((('Clinic 01', 'clinic 01', 'Clinic 01 '),), (('Clinic 02', 'Clinic_02'),))
    """
    labels = isinstance(values.dtype, pd.CategoricalDtype)
    counts = values.value_counts(sort=False, dropna=True)
    written = [str(name) for name in (values.cat.categories if labels else values.dropna().unique())]
    cells = {str(name): int(n) for name, n in counts.items()}
    groups: dict[str, list[str]] = {}
    for name in written:
        groups.setdefault(site_key(name), []).append(name)
    kept: dict[str, str | None] = {}
    spellings = []
    for key, group in groups.items():
        most = max(group, key=lambda name: cells.get(name, 0))
        new = (fold(most) or None) if key else None
        kept.update(dict.fromkeys(group, new))
        if len([name for name in group if cells.get(name, 0)]) > 1 and new is not None:
            spellings.append((most, *(name for name in group if name != most)))
    names = values
    if any(name != new for name, new in kept.items()):
        text = values.astype("str").map(kept)
        order = pd.Index([name for name in dict.fromkeys(kept.values()) if name is not None], dtype="str")
        names = pd.Series(pd.Categorical(text, categories=order), index=values.index, name=values.name)
        names = names if labels else names.astype("str")
    return SiteNames(
        names, tuple(spellings), _colliding(one for one in dict.fromkeys(kept.values()) if one is not None)
    )


def _colliding(names: Iterable[str]) -> tuple[tuple[str, str], ...]:
    first: dict[str, str] = {}
    found = []
    for name in names:
        earlier = first.setdefault(site_key(site_file_word(name)), name)
        if earlier != name:
            found.append((earlier, name))
    return tuple(found)


def shown_site(name: str) -> str:
    """Give the name of a site as a message may show it, in quotation marks: its shape where it may say which place it is.

    Examples
    --------
    >>> shown_site("Clinic 01"), shown_site("Amberg ")
    ("'Clinic 01'", "'Aaaaaa '")
    """
    words, known_words = words_of(name), _PLACES | (every_word() - word_list("names_too"))
    known = all(
        len(word) <= (_LONGEST_NUMBER if word.isdigit() else _LONGEST_CODE) or word in known_words for word in words
    )
    return repr(name if known else shape(name))
