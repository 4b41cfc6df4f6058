"""The glossary: every term of the lessons in plain words."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources

from analysis.errors import ReportError


@dataclass(frozen=True)
class Term:
    """A term in plain words.

    Parameters
    ----------
    name : str
        The term.
    words : str
        What it means.
    lesson : int
        Lesson that explains it first.
    """

    name: str
    words: str
    lesson: int

    def __repr__(self) -> str:
        return f"{self.name}: {self.words} (Lesson {self.lesson}.)"


@cache
def glossary() -> tuple[Term, ...]:
    """Return all terms, in the order of the alphabet.

    Examples
    --------
    >>> [term.name for term in glossary() if "symmetry" in term.name]
    ['limb symmetry index']
    """
    text = resources.files("analysis.lessons").joinpath("glossary.toml").read_text(encoding="utf-8")
    terms = (Term(name, one["words"], one["lesson"]) for name, one in tomllib.loads(text).items())
    return tuple(sorted(terms, key=lambda term: term.name.lower()))


def glossary_entry(word: str) -> Term:
    """Return one term.

    Parameters
    ----------
    word : str
        The term; capital letters do not matter.

    Raises
    ------
    ReportError
        The glossary has no such term.

    Examples
    --------
    >>> glossary_entry("mdc").lesson
    1
    """
    for term in glossary():
        if term.name.lower() == word.strip().lower():
            return term
    raise ReportError(
        f"The glossary has no term {word!r}.",
        where="glossary",
        what_to_do=f"Terms: {', '.join(term.name for term in glossary())}.",
    )


def glossary_page() -> str:
    """Return the glossary as a Markdown page.

    Examples
    --------
    >>> glossary_page().splitlines()[0]
    '# Glossary'
    """
    lines = [f"- **{term.name}** (lesson {term.lesson}): {term.words}" for term in glossary()]
    return "\n".join(["# Glossary", "", *lines, ""])
