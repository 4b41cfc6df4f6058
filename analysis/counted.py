"""The words beside a count: nouns and verbs in the form that it asks for, by one function."""

from typing import Any

#: Words of several that are not made by adding an s.
_SEVERAL = {
    "is": "are", "was": "were", "has": "have", "does": "do", "lies": "lie", "counts": "count", "differs": "differ",
    "analysis": "analyses", "other": "others",
}  # fmt: skip


def form(n: Any, word: str, several: str | None = None) -> str:
    """Give a noun or a verb as it stands beside a count: of one as it is, of none or several in its other form.

    Examples
    --------
    >>> form(1, "patient"), form(2, "patient"), form(0, "patient"), form(3, "difficulty", "difficulties")
    ('patient', 'patients', 'patients', 'difficulties')
    >>> form(1, "is"), form(2, "is"), form(12, "has"), form(2, "lies")
    ('is', 'are', 'have', 'lie')
    """
    return word if n == 1 else several or _SEVERAL.get(word) or f"{word}s"


def counted(n: int, noun: str, several: str | None = None) -> str:
    """Show a count with its noun, thousands separated.

    Examples
    --------
    >>> counted(1, "row"), counted(1200, "row")
    ('1 row', '1,200 rows')
    """
    return f"{n:,} {form(n, noun, several)}"


def none_or(n: int, verb: str) -> str:
    """Show a count of some that were named, with its verb; of nobody "none", which is one.

    Examples
    --------
    >>> none_or(0, "is"), none_or(1, "is"), none_or(2, "is")
    ('none is', '1 is', '2 are')
    """
    return f"{n:,} {form(n, verb)}" if n else f"none {verb}"
