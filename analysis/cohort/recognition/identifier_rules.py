"""The identifiers of 45 CFR 164.514(b)(2) as rules: read from ``identifier_rules.toml``, a pattern each.

Names of columns are compared in lower case with underscores between the words. A limited data set (164.514(e)) may keep
dates and some places, so those rules say so.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from importlib import resources
from typing import Any, Literal

Action = Literal["drop", "place", "date"]


@dataclass(frozen=True)
class NameRule:
    """A kind of identifier told by the name of its column, and what de-identification does with such a column."""

    what: str
    paragraph: str
    pattern: re.Pattern[str]
    allowed_in_limited: bool = False
    action: Action = "drop"


@dataclass(frozen=True)
class ValueRule:
    """A kind of identifier told by what stands in the cells; RE2 syntax, compared with the whole trimmed cell.

    Where ``inside`` is True the pattern is also looked for within longer text: ``search`` is for that.
    """

    what: str
    paragraph: str
    pattern: str
    allowed_in_limited: bool = False
    inside: bool = False

    @property
    def search(self) -> str:
        """The pattern to be looked for within a text."""
        flag, pattern = ("(?i)", self.pattern[4:]) if self.pattern.startswith("(?i)") else ("", self.pattern)
        return rf"{flag}(?:^|[^\w])(?:{pattern})(?:$|[^\w])"


def _read(name: str) -> dict[str, Any]:
    return tomllib.loads(resources.files("analysis.cohort.recognition").joinpath(name).read_text(encoding="utf-8"))


def _expand(pattern: str, parts: dict[str, str]) -> str:
    """Put the named parts into a pattern, first those that hold other parts."""
    for name, part in parts.items():
        pattern = pattern.replace("{" + name + "}", part)
    return pattern


def _name_rules(data: dict[str, Any]) -> tuple[NameRule, ...]:
    rules = []
    for block in data["classes"]:
        parts = [rf"(?:^|_)(?:{word})(?:_|$)" for word in block.get("words", ())]
        parts += [rf"^(?:{name})$" for name in block.get("names", ())]
        pattern = re.compile("|".join(_expand(part, data["parts"]) for part in parts))
        paragraph = f"({block['letter']}) {block['name']}"
        rules.append(NameRule(block["what"], paragraph, pattern, block.get("limited", False), block["action"]))
    return tuple(rules)


def _value_rules(data: dict[str, Any]) -> tuple[ValueRule, ...]:
    rules = []
    for block in data["classes"]:
        paragraph = f"({block['letter']}) {block['name']}"
        for cell in block.get("cells", ()):
            pattern = _expand(cell["pattern"], data["parts"])
            rules.append(
                ValueRule(cell["what"], paragraph, pattern, cell.get("limited", False), cell.get("inside", False))
            )
    return tuple(rules)


_RULES, _WORDS = _read("identifier_rules.toml"), _read("identifier_words.toml")

#: Rules for names of columns and for cells, in the order (A) to (R).
NAME_RULES = _name_rules(_RULES)
VALUE_RULES = _value_rules(_RULES)
#: The pattern of a date written out.
DATE_PATTERN = next(rule.pattern for rule in VALUE_RULES if rule.what == "a date")
#: First three digits of ZIP codes whose area holds 20,000 people or fewer.
RESTRICTED_ZIP_CODES = frozenset(_RULES["zip_codes"]["restricted"])

#: Words that an opaque identifier may hold; anything else that reads like words could be a name.
OPAQUE_WORDS = frozenset(_WORDS["opaque_words"])
#: Given names common in several countries, to tell a name from a word.
GIVEN_NAMES = frozenset(_WORDS["given_names"])
