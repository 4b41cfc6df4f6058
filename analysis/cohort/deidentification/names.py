"""Names of files and columns as they may be shown and written: what is not a word of the trade is made anew."""

from __future__ import annotations

import re
from collections.abc import Iterable

from analysis.cohort.recognition.identifier_rules import GIVEN_NAMES
from analysis.cohort.recognition.trade_words import every_word, is_known_name, words_of
from analysis.foreign_text import shape

#: Words of the names of tables, and of columns that are always withheld: they tell what, not who.
_TABLE_WORDS = frozenset({
    "export", "clinic", "data", "patients", "patient", "visits", "sessions", "events", "home", "table", "tables", "scores", "raw",
    "extract", "database", "sheet", "results", "measurements", "registry", "knee", "log", "tests", "demographics", "outcomes",
    "brace", "limits", "people", "participants", "subjects", "persons", "cohort", "study", "trial", "session", "visit", "measures",
    "treatment", "program", "programme", "torque", "strength", "motion", "koos", "questionnaires", "exercise", "adherence", "event",
    "pain", "diary", "baseline", "follow", "up", "file", "list", "main", "source",
})  # fmt: skip
_COLUMN_WORDS = frozenset({
    "patient", "subject", "participant", "id", "mrn", "dob", "ssn", "name", "names", "surname", "first", "last", "given", "family",
    "initials", "address", "street", "city", "town", "zip", "code", "postcode", "county", "state", "country", "phone", "mobile", "tel",
    "telephone", "fax", "email", "mail", "date", "dates", "datum", "birth", "record", "medical", "hospital", "insurance", "account",
    "serial", "device", "url", "website", "ip", "photo", "picture", "remarks", "comment", "comments", "notes", "note", "text", "free",
    "contact", "person", "therapist", "surgeon", "physician", "doctor", "referred", "seen", "entered", "discharged", "quarter",
    "surgery", "start", "export", "update", "ward", "place", "residence",
})  # fmt: skip


def table_names(stems: Iterable[str]) -> dict[str, str]:
    """Give each table the name under which it is written: its own where that is made of words for tables, else a number.

    Examples
    --------
    >>> table_names(["visits", "Amberg_2024"])
    {'visits': 'visits', 'Amberg_2024': 'table_2'}
    """
    given = list(stems)
    if len(given) == 1 and not _is_table_name(given[0]):
        return {given[0]: "table"}
    return {stem: stem if _is_table_name(stem) else f"table_{i}" for i, stem in enumerate(given, 1)}


def new_column_name(name: str, place: int, *, named: bool) -> str:
    """Give the name under which a column is written; ``place`` counts from 1, ``named`` says that a person wrote the name.

    Examples
    --------
    >>> new_column_name("KOOS pain 6wk", 4, named=False), new_column_name("torque (Ms Amberg)", 5, named=False)
    ('KOOS pain 6wk', 'torque_ms_5')
    """
    if named or is_known_name(name):
        return name
    known = [word for word in words_of(name) if len(word) > 1 and word in every_word() - GIVEN_NAMES]
    return "_".join([*(known or ["column"]), str(place)])


def shown_column(name: str, place: int, *, named: bool = False) -> str:
    """Give a column's name as a report may show it: its place and the shape of the name where that may say too much.

    Examples
    --------
    >>> shown_column("phone", 2), shown_column("Visit Ms Amberg 3.4.", 5)
    ('phone', 'column 5 (Aaaaa Aa Aaaaaa 9.9.)')
    """
    words = set(words_of(name))
    harmless = words and words <= _COLUMN_WORDS and not re.search(r"\d", name)
    return name if named or harmless or is_known_name(name) else f"column {place} ({shape(name)})"


def _is_table_name(stem: str) -> bool:
    words = words_of(stem)
    return bool(words) and set(words) <= _TABLE_WORDS
