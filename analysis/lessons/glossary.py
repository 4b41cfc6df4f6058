"""The glossary: every term of the lessons in plain words."""

import html
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources

from analysis.errors import ReportError

_STYLE = (
    "body{font:16px/1.5 sans-serif;color:#20262b;background:#fff;max-width:46em;margin:2em auto;padding:0 1em}"
    "h1{font-size:1.7em;line-height:1.25}dt{font-weight:bold;margin-top:1em}dd{margin:0}"
    "dt span{font-weight:normal;font-size:.9em;color:#434b51;margin-left:.6em}"
    "dt:target{background:#fff3c4}"
)


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
    """Return the glossary as an HTML page that stands alone, with an anchor for each term.

    Examples
    --------
    >>> '<dt id="limb-symmetry-index">limb symmetry index' in glossary_page()
    True
    """
    terms = "".join(
        f'<dt id="{anchor(term.name)}">{html.escape(term.name)} <span>lesson {term.lesson}</span></dt>'
        f"<dd>{html.escape(term.words)}</dd>"
        for term in glossary()
    )
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Glossary</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head><body><main>'
        f"<h1>Glossary</h1><p>The {len(glossary())} terms of the lessons in plain words, each with the lesson that explains it "
        f"first.</p><dl>{terms}</dl></main></body></html>\n"
    )


def anchor(term: str) -> str:
    """Return the name by which a term can be linked to.

    Examples
    --------
    >>> anchor("95 % interval")
    '95-interval'
    """
    return re.sub(r"[^a-z0-9]+", "-", term.lower()).strip("-")
