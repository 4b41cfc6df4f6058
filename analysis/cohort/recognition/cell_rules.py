"""Which rule of the identifiers a text falls under: quick for a million texts, the same as one text at a time."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from analysis.cohort.recognition.identifier_rules import VALUE_RULES, ValueRule

#: From this many texts on, a search for all rules at once picks those that are looked at one by one.
_MANY = 2_000
#: Outside plain printable ASCII the two engines differ in what a letter or a space is.
_NOT_PLAIN = r"[^\x20-\x7e]"


def first_rule(text: pd.Series, *, limited: bool) -> np.ndarray:
    """Give the first rule that each text falls under, spaces around it left out: its place in ``VALUE_RULES``.

    It is -1 where none fits or the text is missing. ``limited`` leaves out rules that a limited data set may break.

    Examples
    --------
    >>> places = first_rule(pd.Series(["jane@example.org", "left"]), limited=False)
    >>> VALUE_RULES[places[0]].what, int(places[1])
    ('an e-mail address', -1)
    """
    answer = np.full(len(text), -1, dtype=np.int64)
    suspects = np.flatnonzero(text.notna().to_numpy())
    if len(suspects) > _MANY:
        array = pa.array(text.iloc[suspects].astype("str"), type=pa.large_string(), from_pandas=True)
        trimmed = pc.utf8_trim_whitespace(array)
        suspects = suspects[np.asarray(pc.match_substring_regex(trimmed, _any_rule(limited)).fill_null(False))]
    rules = _compiled(limited)
    for place, cell in zip(suspects, text.iloc[suspects].astype("str"), strict=True):
        trimmed_cell = cell.strip()
        for number, matches in rules:
            if matches(trimmed_cell):
                answer[place] = number
                break
    return answer


def _used(limited: bool) -> list[tuple[int, ValueRule]]:
    return [(i, rule) for i, rule in enumerate(VALUE_RULES) if not (limited and rule.allowed_in_limited)]


@cache
def _compiled(limited: bool) -> list[tuple[int, Callable[[str], re.Match[str] | None]]]:
    return [
        (i, re.compile(rule.search).search if rule.inside else re.compile(rule.pattern).fullmatch)
        for i, rule in _used(limited)
    ]


@cache
def _any_rule(limited: bool) -> str:
    """Give one pattern that finds what any rule finds, and what is not plain ASCII."""
    parts = [_NOT_PLAIN]
    for _, rule in _used(limited):
        pattern = rule.search if rule.inside else rule.pattern
        flag, pattern = ("i", pattern[4:]) if pattern.startswith("(?i)") else ("", pattern)
        parts.append(f"(?{flag}:{pattern})" if rule.inside else rf"^(?{flag}:{pattern})$")
    return "|".join(parts)
