"""One name in several spellings: blanks and forms of a character are folded; capitals and look-alikes are told."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

#: Characters that nobody sees: no width, or only a hint where a word may be cut or how it is written.
_UNSEEN = re.compile("[\u00ad\u061c\u180e\u200b-\u200f\u202a-\u202e\u2060-\u2064\u2066-\u206f\ufe00-\ufe0f\ufeff]")
#: What a text that may change when it is folded has: something that is not printable ASCII, or blanks out of place.
_MAY_CHANGE = r"[^\x20-\x7e]|^ | $|  "
#: Look-alikes within one script, for which capitals must agree: the capital I is like a small l, but not the small i.
_PLAIN = "01Im|"


@dataclass(frozen=True)
class Folded:
    """Names in one spelling, how many cells were written otherwise, and how many names stood in several spellings."""

    names: pd.Series
    n_cells: int
    n_joined: int


def fold(text: str) -> str:
    r"""Write a name in the one spelling of all that differ by blanks and forms of characters only.

    Unicode NFKC (full-width letters become plain ones, accents one character with their letter); every run of blanks one
    space, none at the ends; characters that nobody sees left out. Capitals stay.

    Examples
    --------
    >>> fold(" usual\u00a0\u00a0care "), fold("ｕｓｕａｌ")
    ('usual care', 'usual')
    """
    return " ".join(_UNSEEN.sub("", unicodedata.normalize("NFKC", text)).split())


def fold_names(values: pd.Series) -> Folded:
    """Fold every name of a column of text or of labels; the empty name is missing. The type of the column stays.

    Examples
    --------
    >>> found = fold_names(pd.Series(["usual", "usual ", "early"]))
    >>> found.names.tolist(), found.n_cells, found.n_joined
    (['usual', 'usual', 'early'], 1, 1)
    """
    labels = isinstance(values.dtype, pd.CategoricalDtype)
    array = pa.array(values.cat.categories if labels else values, type=pa.large_string(), from_pandas=True)
    if not pc.any(pc.match_substring_regex(array, _MAY_CHANGE)).as_py():
        return Folded(values, 0, 0)
    codes, written = (values.cat.codes.to_numpy(), values.cat.categories) if labels else pd.factorize(values)
    texts = [str(text) for text in written]
    folded = [fold(text) for text in texts]
    cells = np.bincount(codes[codes >= 0], minlength=len(texts))
    n_cells = int(sum(n for n, text, name in zip(cells, texts, folded, strict=True) if name != text))
    if n_cells == 0:
        return Folded(values, 0, 0)
    spellings = Counter(name for n, name in zip(cells, folded, strict=True) if n and name)
    order = [name for name in dict.fromkeys(folded) if name]
    place = {name: i for i, name in enumerate(order)}
    new = np.append(np.array([place.get(name, -1) for name in folded], dtype=np.int64), -1)[codes]
    categories = pd.Categorical.from_codes(new, categories=pd.Index(order, dtype="str"))
    names = pd.Series(categories, index=values.index, name=values.name)
    joined = sum(n > 1 for n in spellings.values())
    return Folded(names if labels else names.astype("str"), n_cells, joined)


def surely_distinct(names: pd.Series) -> bool:
    """Say whether no two of some different names are the same to the eye, quickly and without objects of Python.

    It is False also where that would take :func:`same_to_the_eye` to tell: names with blanks, or with letters beyond ASCII.

    Examples
    --------
    >>> surely_distinct(pd.Series(["P01", "P02"])), surely_distinct(pd.Series(["P01", "p01"])), surely_distinct(pd.Series(["P01", "PO1"]))
    (True, False, False)
    """
    array = pa.array(names, type=pa.large_string(), from_pandas=True)
    if pc.any(pc.match_substring_regex(array, r"[^\x21-\x7e]")).as_py():
        return False
    every = array
    for letter, prototype in _look_alikes()[1].items():
        if chr(letter).isascii():
            every = pc.replace_substring(every, chr(letter), prototype)
    return all(pc.count_distinct(key).as_py() == len(names) for key in (pc.ascii_lower(array), every))


def same_to_the_eye(names: Sequence[str]) -> list[tuple[int, int, str]]:
    """Find names that a reader may take for one another: places of the earlier and the later, and how they differ.

    Look-alike are letters by the table of Unicode Technical Standard 39, of the Latin, Greek and Cyrillic scripts. Each name
    is told once, beside the first one that it is like; capitals and look-alikes together count where the look-alikes are
    of two scripts.

    Examples
    --------
    >>> same_to_the_eye(["usual", "early", "Usual"])
    [(0, 2, 'capitals')]
    """
    lines = "\n".join(names)
    if lines.count("\n") >= len(names):
        lines = "\n".join(name.replace("\n", " ") for name in names)
    if not lines.isascii():
        lines = _UNSEEN.sub("", unicodedata.normalize("NFKC", lines))
    if re.search(r"[^\S\n]", lines):
        lines = re.sub(r" ?\n ?", "\n", re.sub(r"[^\S\n]+", " ", f"\n{lines}\n"))[1:-1]
    scripts, every = _look_alikes()
    keys = (lines.translate(scripts).casefold().split("\n"), lines.translate(every).split("\n"))
    if all(len(set(key)) == len(names) for key in keys):
        return []
    first: tuple[dict[str, int], dict[str, int]] = ({}, {})
    found = []
    for place in range(len(names)):
        like = [known.setdefault(key[place], place) for key, known in zip(keys, first, strict=True) if key[place]]
        earlier = min(like, default=place)
        if earlier < place:
            found.append((earlier, place, _difference(names[earlier], names[place])))
    return found


def _difference(one: str, other: str) -> str:
    one, other = fold(one), fold(other)
    if one == other:
        return "blanks or forms of the same characters"
    return "capitals" if one.casefold() == other.casefold() else "letters that look alike"


@cache
def _look_alikes() -> tuple[dict[int, str], dict[int, str]]:
    """Give the table for letters of other scripts, and the whole one, as ``str.translate`` wants them."""
    text = resources.files(__package__).joinpath("look_alike_letters.toml").read_text(encoding="utf-8")
    rows = tomllib.loads(text)["looks_like"]
    every = {ord(letter): prototype for prototype, letters in rows.items() for letter in letters}
    return {letter: prototype for letter, prototype in every.items() if chr(letter) not in _PLAIN}, every
